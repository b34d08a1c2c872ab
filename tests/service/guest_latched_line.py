# SPDX-License-Identifier: MIT
"""In the guest: watch the relay line from outside, and let it keep its last driven level.

    guest_latched_line.py VALUE_FILE PULL_FILE LOG [high]

A freed output of a Raspberry Pi keeps the level it was driven to, one of the simulator falls back
to its pull; so the pull follows the level. `high`: at power-up something holds the line high. Each
line of LOG: monotonic time in ns, level. Standard library only; it outlives whoever started it.
"""

import os
import sys
import time
from pathlib import Path

PULLS = {b"0": b"pull-down", b"1": b"pull-up"}
PERIOD_S = 0.002


def main() -> None:
    value, pull, log = sys.argv[1:4]
    Path(pull).write_bytes(PULLS[b"1" if sys.argv[4:] else b"0"])
    if os.fork():
        return
    os.setsid()
    os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(10))
    line, held, seen = os.open(value, os.O_RDONLY), os.open(pull, os.O_WRONLY), b""
    with open(log, "a", buffering=1) as out:
        while True:
            level = os.pread(line, 1, 0)
            if level != seen:
                out.write(f"{time.monotonic_ns()} {level.decode()}\n")
                os.pwrite(held, PULLS[level], 0)
                seen = level
            time.sleep(PERIOD_S)


if __name__ == "__main__":
    main()
