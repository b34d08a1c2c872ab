# SPDX-License-Identifier: MIT
"""How long the host kept the emulator waiting for a processor, from the kernel's own account.

The kernel counts for each thread how long it was ready to run and did not (the second field of
/proc/PID/task/TID/schedstat, Documentation/scheduler/sched-stats.rst). A try during which the
emulated processors waited long says nothing about the rig; this is the evidence for leaving it out.
"""

from __future__ import annotations

import bisect
import contextlib
import os
import threading
import time
from pathlib import Path
from typing import Any

from machine import Guest

SAMPLE_S = 0.01
PAD_NS = 60_000_000  # the two clocks are aligned no better than this
NICE = -15
NAMED_THREADS = ("-name", "emulated,debug-threads=on")
"""For the guest: qemu then names its threads after their processor."""


def prefer(guest: Guest) -> None:
    """Ask the host to let the emulator run before others, where that is allowed."""
    with contextlib.suppress(OSError):  # a session is one group for the scheduler
        Path(f"/proc/{guest._qemu.pid}/autogroup").write_text(str(NICE))
    for task in Path(f"/proc/{guest._qemu.pid}/task").iterdir():
        with contextlib.suppress(OSError):  # without permission a plain user's tests continue
            os.setpriority(os.PRIO_PROCESS, int(task.name), NICE)


class HostWaits:
    """Samples the emulated processors' account while entered."""

    def __init__(self, guest: Guest) -> None:
        tasks = list(Path(f"/proc/{guest._qemu.pid}/task").iterdir())
        names = {task: (task / "comm").read_text() for task in tasks}
        self._threads = [task / "schedstat" for task in tasks if names[task].startswith("CPU ")]
        assert self._threads, "no emulated processor found among the emulator's threads"
        prefer(guest)
        self._times: list[int] = []
        self._waits: list[int] = []
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._sample, name="host waits")
        self._offset_ns = min(self._offset(guest) for _ in range(3))

    @staticmethod
    def _offset(guest: Guest) -> int:
        """Host clock minus guest clock: too large by the round trip, so the smallest counts."""
        done = guest.run("cut -d' ' -f1 /proc/uptime")
        return time.monotonic_ns() - int(float(done.stdout) * 1e9)

    def _sample(self) -> None:
        while not self._over.wait(SAMPLE_S):
            with contextlib.suppress(OSError):  # the machine was switched off
                waits = sum(int(path.read_text().split()[1]) for path in self._threads)
                self._times.append(time.monotonic_ns() - self._offset_ns)
                self._waits.append(waits)

    def __enter__(self) -> HostWaits:
        self._thread.start()
        return self

    def __exit__(self, *_: Any) -> None:
        self._over.set()
        self._thread.join()

    def waited_ms(self, from_ns: int, to_ns: int) -> float:
        """Time that both processors together waited between two instants of the guest's clock."""
        first = max(0, bisect.bisect_left(self._times, from_ns - PAD_NS) - 1)
        last = min(len(self._times) - 1, bisect.bisect_right(self._times, to_ns + PAD_NS))
        return (self._waits[last] - self._waits[first]) / 1e6
