# SPDX-License-Identifier: MIT
"""In the guest: the world on the far side of the board's lines. Standard library only.

    guest_plant.py PLAN.json LOG.json

Independent of the rig's own simulation: it knows nothing but the GPIO simulator's files. It watches
the relay line; a known delay after the line changes it makes the read-back follow, and a known
delay after that same change it closes or opens the switch, with bounce if wanted. It sends a
gauge's lines on a serial port. Everything it does is logged with the clock that stamps the edges.

Plan: `lines` (folder of sim_gpioN), `relay`, `switch`, `readback` (offsets; readback may be null),
`readback_delay_ms`, `close_delay_ms`, `open_delay_ms` (lists, one value a stroke, used in turn;
null: this stroke is not answered), optional `closed_pull` ("pull-down" by default), `live_pull`
("pull-up"), `bounces` (extra close-open pairs), `bounce_ms` (between two edges of a bounce),
`gauge` {`port`, `line` (a format with {kpa}), `period_ms`, `low_kpa`, `high_kpa`, `rise_ms`},
optional `heartbeat` (offset of a line that is only watched) and `control`, a FIFO: a line of JSON
written there is executed at once - {"gauge": KEYS} changes keys of the gauge (`line` null: silent,
`burst`: so many lines at once), {"send": TEXT} sends a text in one piece.

Log, written on SIGTERM: `coil` [[level, before, after]] - the level seen changed between these two
instants -, `readback` [[live, before, after]] and `switch` [[closed, before, after]] - read just
before and just after the write that changed the line -, `gauge` [[kpa, before, after]], `stalls`
[[before, after]] - the emulator stood still for that long (guest_stalls.py) -, `heartbeat`
[[level, before, after]] like `coil`, `sent` [[text, before, after]] for each text that was
ordered. All instants are CLOCK_MONOTONIC in nanoseconds.
"""

import contextlib
import gc
import heapq
import json
import math
import os
import signal
import sys
import termios
import time
import tty
from pathlib import Path

from guest_stalls import StallWatch

MS = 1_000_000
NEAR_NS = 1 * MS  # from here on it does not sleep, so as to write on time
REST_S = 0.0003  # pause between two looks at the relay line
OPPOSITE = {"pull-up": "pull-down", "pull-down": "pull-up"}


class Plant:
    def __init__(self, plan: dict) -> None:
        self.plan = plan
        self.log: dict[str, list] = {
            name: []
            for name in ("coil", "readback", "switch", "gauge", "stalls", "heartbeat", "sent")
        }
        self.due: list[tuple[int, int, str, bool]] = []  # (instant, order, what, state)
        self.order = 0
        self.strokes = 0
        self.coil_on, self.changed_ns, self.kpa_then = False, 0, 0.0
        folder = Path(plan["lines"])
        self.relay = os.open(folder / f"sim_gpio{plan['relay']}/value", os.O_RDONLY)
        self.heartbeat = self.control = None
        if plan.get("heartbeat") is not None:
            self.heartbeat = os.open(folder / f"sim_gpio{plan['heartbeat']}/value", os.O_RDONLY)
        if plan.get("control"):
            self.control = os.open(plan["control"], os.O_RDWR | os.O_NONBLOCK)
        self.pulls = {
            what: os.open(folder / f"sim_gpio{plan[what]}/pull", os.O_WRONLY)
            for what in ("switch", "readback")
            if plan.get(what) is not None
        }
        active = {
            "switch": plan.get("closed_pull", "pull-down"),
            "readback": plan.get("live_pull", "pull-up"),
        }
        self.words = {
            what: {True: pull.encode(), False: OPPOSITE[pull].encode()}
            for what, pull in active.items()
        }
        self.gauge = self._open_gauge() if plan.get("gauge") else None

    def _open_gauge(self) -> int:
        port = os.open(self.plan["gauge"]["port"], os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(port, termios.TCSANOW)
        self.kpa_then = self.plan["gauge"]["low_kpa"]
        self._schedule(time.monotonic_ns(), "gauge", True)
        return port

    def _schedule(self, at_ns: int, what: str, state: bool) -> None:
        self.order += 1
        heapq.heappush(self.due, (at_ns, self.order, what, state))

    def _kpa(self, now_ns: int) -> float:
        gauge = self.plan["gauge"]
        target = gauge["high_kpa"] if self.coil_on else gauge["low_kpa"]
        share = math.exp(-(now_ns - self.changed_ns) / (gauge["rise_ms"] * MS))
        return target + (self.kpa_then - target) * share

    def _coil_changed(self, on: bool, before: int, after: int) -> None:
        self.log["coil"].append((int(on), before, after))
        if self.gauge is not None:
            self.kpa_then = self._kpa(after)
        self.coil_on, self.changed_ns = on, after
        if "readback" in self.pulls:
            self._schedule(after + int(self.plan["readback_delay_ms"] * MS), "readback", on)
        delays = self.plan["close_delay_ms" if on else "open_delay_ms"]
        delay = delays[self.strokes % len(delays)]
        if not on:
            self.strokes += 1
        if delay is None:
            return
        first = after + int(delay * MS)
        step = int(self.plan.get("bounce_ms", 0) * MS)
        for edge in range(1 + 2 * self.plan.get("bounces", 0)):
            self._schedule(first + edge * step, "switch", on if edge % 2 == 0 else not on)

    def _act(self, what: str, state: bool) -> None:
        if what == "gauge":
            gauge = self.plan["gauge"]
            kpa = self._kpa(time.monotonic_ns())
            before = time.monotonic_ns()
            if gauge["line"] is not None:
                self._send(gauge["line"].format(kpa=kpa) * gauge.get("burst", 1))
                self.log["gauge"].append((round(kpa, 3), before, time.monotonic_ns()))
            self._schedule(before + int(gauge["period_ms"] * MS), "gauge", True)
            return
        pull, word = self.pulls[what], self.words[what][state]
        before = time.monotonic_ns()
        os.pwrite(pull, word, 0)
        after = time.monotonic_ns()
        self.log[what].append((int(state), before, after))

    def _send(self, text: str) -> None:
        with contextlib.suppress(OSError, termios.error):  # unplugged: a gauge does not care
            termios.tcflush(self.gauge, termios.TCOFLUSH)  # what nobody took is not kept
            os.write(self.gauge, text.encode())

    def _obey(self, control: int) -> None:
        try:
            lines = os.read(control, 4096).splitlines()
        except BlockingIOError:
            return
        for order in map(json.loads, lines):
            self.plan["gauge"].update(order.get("gauge", {}))
            if "send" in order:
                before = time.monotonic_ns()
                self._send(order["send"])
                self.log["sent"].append((order["send"], before, time.monotonic_ns()))

    def run(self, stop: list[bool]) -> None:
        beat = b""
        seen = os.pread(self.relay, 1, 0)
        last_look = time.monotonic_ns()
        while not stop:
            value = os.pread(self.relay, 1, 0)
            now = time.monotonic_ns()
            if value != seen:
                seen = value
                self._coil_changed(value == b"1", last_look, now)
            if self.heartbeat is not None:
                level = os.pread(self.heartbeat, 1, 0)
                if level != beat:
                    beat = level
                    self.log["heartbeat"].append((int(level), last_look, time.monotonic_ns()))
            if self.control is not None:
                self._obey(self.control)
            last_look = now
            while self.due and self.due[0][0] <= time.monotonic_ns():
                _, _, what, state = heapq.heappop(self.due)
                self._act(what, state)
            if not self.due or self.due[0][0] - time.monotonic_ns() > NEAR_NS:
                time.sleep(REST_S)


def main() -> None:
    plan_path, log_path = sys.argv[1:]
    stop: list[bool] = []
    signal.signal(signal.SIGTERM, lambda *_: stop.append(True))
    stalls = StallWatch()
    stalls.start()
    plant = Plant(json.loads(Path(plan_path).read_text()))
    # Ahead of the rig's processes: otherwise the guest's scheduler, not the rig, would stand
    # between an instant in this log and the edge that it speaks of.
    os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(10))
    gc.disable()
    print("ready", flush=True)
    plant.run(stop)
    plant.log["stalls"] = stalls.finish()
    Path(log_path).write_text(json.dumps(plant.log))
    if plant.gauge is not None:  # closing would wait for what nobody takes
        termios.tcflush(plant.gauge, termios.TCOFLUSH)


if __name__ == "__main__":
    main()
