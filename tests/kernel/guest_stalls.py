# SPDX-License-Identifier: MIT
"""In the guest: when did the emulator itself stand still? Standard library only.

One process on each of the guest's processors, with priority over every program, asks to be woken
every few milliseconds and notes when it was not. A busy host stops the processors one by one, so
each must be watched.
"""

import json
import os
import signal
import time

STALL_NS = 20_000_000
PAUSE_S = 0.005


class StallWatch:
    """Watches from `start` to `finish`."""

    def __init__(self) -> None:
        self._watchers: list[tuple[int, int]] = []  # process, descriptor to read from

    def start(self) -> None:
        for processor in sorted(os.sched_getaffinity(0)):
            near, far = os.pipe()
            process = os.fork()
            if process == 0:
                os.close(near)
                _watch(processor, far)
            os.close(far)
            self._watchers.append((process, near))

    def finish(self) -> list[tuple[int, int]]:
        """End the watchers; the stalls of every processor, [(before, after), ...] in order."""
        stalls: list[tuple[int, int]] = []
        for process, near in self._watchers:
            os.kill(process, signal.SIGTERM)
            with os.fdopen(near) as told:
                stalls += [tuple(stall) for stall in json.load(told)]
            os.waitpid(process, 0)
        self._watchers.clear()
        return sorted(stalls)


def _watch(processor: int, far: int) -> None:
    """The child: never returns."""
    stop: list[bool] = []
    signal.signal(signal.SIGTERM, lambda *_: stop.append(True))
    os.sched_setaffinity(0, {processor})
    os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(11))
    stalls, before = [], time.monotonic_ns()
    while not stop:
        time.sleep(PAUSE_S)
        now = time.monotonic_ns()
        if now - before > STALL_NS:
            stalls.append((before, now))
        before = now
    with os.fdopen(far, "w") as told:
        json.dump(stalls, told)
    os._exit(0)
