# SPDX-License-Identifier: MIT
"""A gauge in a process of its own, on a pseudo-terminal, with faults.

    gauge_emulator.py PLAN.json

Written apart from the program: it imports nothing of it. PLAN: `lines` (texts sent in turn, a
Python escape each), `period_ms`, `byte_us` (0: as fast as it goes), `answers` ({request: reply},
Latin-1, sent after `late_ms`), `faults` (names of FAULTS, one is drawn before each line), `seed`,
`count` (lines to send, 0: no end). It prints the terminal's name, then what it sent soundly, a
line of JSON each.
"""

from __future__ import annotations

import json
import os
import random
import select
import sys
import time
import tty
from pathlib import Path


class Emulator:
    def __init__(self, plan: dict) -> None:
        self.plan, self.dice = plan, random.Random(plan.get("seed", 1))
        self.near, self.far = os.openpty()
        tty.setraw(self.far)
        print(os.ttyname(self.far), flush=True)
        self.heard = b""

    def send(self, data: bytes) -> None:
        step = self.plan.get("byte_us", 0) / 1e6
        if not step:
            os.write(self.near, data)
            return
        for byte in data:
            os.write(self.near, bytes([byte]))
            time.sleep(step)

    def told(self, data: bytes) -> None:
        print(json.dumps(data.decode("latin-1")), flush=True)

    def line(self, data: bytes) -> None:
        fault = self.dice.choice(self.plan.get("faults") or ["sound"])
        cut = self.dice.randrange(len(data.rstrip(b"\r\n")))  # inside the text
        if fault == "sound":
            self.told(data)
            self.send(data)
        elif fault == "drop":
            pass
        elif fault == "garbage":
            self.send(bytes(self.dice.randrange(256) for _ in data) + b"\r\n")
        elif fault == "half":
            self.send(data[:cut] + b"#\r\n")  # cut off, and the line end of the next power-up
        elif fault == "noise":  # one byte turned into one that no number and no unit has
            self.send(data[:cut] + b"\xfe" + data[cut + 1 :].rstrip(b"\r\n") + b"\r\n")
        elif fault == "pause":
            self.told(data)
            self.send(data[:cut])
            time.sleep(0.05)
            self.send(data[cut:])

    def answer(self) -> None:
        """Reply to whatever was asked; never returns."""
        replies = {
            k.encode("latin-1"): v.encode("latin-1") for k, v in self.plan["answers"].items()
        }
        while True:
            select.select([self.near], [], [])
            self.heard = (self.heard + os.read(self.near, 4096))[-512:]
            for request, reply in replies.items():
                if self.heard.endswith(request):
                    self.heard = b""
                    time.sleep(self.plan.get("late_ms", 0) / 1e3)
                    self.line(reply)

    def speak(self) -> None:
        """Send lines at its own pace."""
        lines = [text.encode("latin-1") for text in self.plan["lines"]]
        count = self.plan.get("count", 0)
        number = 0
        while not count or number < count:
            self.line(lines[number % len(lines)])
            number += 1
            time.sleep(self.plan.get("period_ms", 50) / 1e3)
        print("done", flush=True)
        time.sleep(60)


def main() -> None:
    emulator = Emulator(json.loads(Path(sys.argv[1]).read_text()))
    if "answers" in emulator.plan:
        emulator.answer()
    emulator.speak()


if __name__ == "__main__":
    main()
