# SPDX-License-Identifier: MIT
"""In the guest: toggle one input from the far side at a steady rate. Standard library only.

    guest_toggle.py PULL_FILE COUNT RATE_HZ BURST LOG.json

COUNT writes, the first a rise, in groups of BURST; RATE_HZ is that of the groups, 0 as fast as it
can. The writes of a group longer than 1 follow each other at once and ahead of everything else in
the guest, the kernel's interrupt threads included (priority 50 of SCHED_FIFO unless told).
Logs [[level, before, after], ...], CLOCK_MONOTONIC nanoseconds read just before and just after.
"""

import gc
import json
import os
import sys
import time
from pathlib import Path

NEAR_NS = 300_000  # sleeps until this close, then spins


def toggle(path: str, count: int, rate_hz: float, burst: int) -> list[tuple[int, int, int]]:
    pull = os.open(path, os.O_WRONLY)
    words = (b"pull-down", b"pull-up")
    period_ns = int(1e9 / rate_hz) if rate_hz else 0
    log = []
    due = time.monotonic_ns() + period_ns
    for number in range(count):
        while number % burst == 0 and (left := due - time.monotonic_ns()) > 0:
            if left > NEAR_NS or burst > 1:
                time.sleep(max(left - NEAR_NS, 1000) / 1e9)
        level = 1 - number % 2
        before = time.monotonic_ns()
        os.pwrite(pull, words[level], 0)
        log.append((level, before, time.monotonic_ns()))
        if number % burst == 0:  # after a stall it does not catch up
            due = max(due, before - period_ns // 2) + period_ns
    os.close(pull)
    return log


def run(path: str, count: int, rate_hz: float, burst: int, log: Path) -> None:
    """Toggle, then write the log."""
    if burst > 1:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(99))
    gc.disable()
    log.write_text(json.dumps(toggle(path, count, rate_hz, burst)))


if __name__ == "__main__":
    pull_file, count, rate_hz, burst, log_path = sys.argv[1:]
    run(pull_file, int(count), float(rate_hz), int(burst), Path(log_path))
