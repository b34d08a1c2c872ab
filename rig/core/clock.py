# SPDX-License-Identifier: MIT
"""Time as the rig uses it: integer nanoseconds of the monotonic clock.

Wall time is read at the start of a run, with the boot id and whether the system clock is
synchronised, because a Raspberry Pi without a battery-backed clock may be weeks off at start. All
clocks are read again at the end: comparing them shows a wall clock that was set, or a computer that
slept, during the run. Durations use only the monotonic clock, so neither affects them.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import time
from pathlib import Path
from typing import NamedTuple, Protocol

NS_PER_S = 1_000_000_000
NS_PER_MS = 1_000_000


class Clock(Protocol):
    """A source of monotonic time in integer nanoseconds."""

    def now_ns(self) -> int: ...


class MonotonicClock:
    """The kernel's CLOCK_MONOTONIC, the clock that also stamps GPIO edges."""

    def now_ns(self) -> int:
        return time.monotonic_ns()


class VirtualClock:
    """Time that advances only on request and never goes back."""

    def __init__(self, start_ns: int = 0) -> None:
        self._now_ns = start_ns

    def now_ns(self) -> int:
        return self._now_ns

    def advance_to(self, t_ns: int) -> None:
        if t_ns > self._now_ns:
            self._now_ns = t_ns


class WallTime(NamedTuple):
    """The wall clock at one monotonic instant.

    `synchronised` is None if the kernel does not report it.
    """

    utc_s: float
    monotonic_ns: int
    boot_id: str
    synchronised: bool | None


def read_wall_time() -> WallTime:
    """Read wall clock, monotonic clock, boot id and synchronisation state together."""
    before = time.monotonic_ns()
    utc_s = time.time()
    after = time.monotonic_ns()
    return WallTime(utc_s, (before + after) // 2, boot_id(), clock_synchronised())


STEP_S = 0.5
"""If the wall clock shifts against the monotonic clock by more than this, it was set."""
SLEPT_S = 0.5
"""If CLOCK_BOOTTIME gains more than this on CLOCK_MONOTONIC, the computer slept."""


class Clocks(NamedTuple):
    """The three clocks at one instant, integer nanoseconds. While the computer sleeps the monotonic
    clock stops and the boot-time clock does not. Time keeping slews both alike (Linux,
    clock_gettime(2)), so wall against monotonic changes only by steps and sleep."""

    wall_ns: int
    monotonic_ns: int
    boottime_ns: int


def read_clocks() -> Clocks:
    """Read all clocks together: of a few tries, keep the one interrupted least."""
    tries = []
    for _ in range(5):
        before = time.monotonic_ns()
        wall_ns, boottime_ns = time.time_ns(), time.clock_gettime_ns(time.CLOCK_BOOTTIME)
        after = time.monotonic_ns()
        tries.append((after - before, Clocks(wall_ns, (before + after) // 2, boottime_ns)))
    return min(tries)[1]


class ClockChange(NamedTuple):
    """What happened to the clocks during a run. `stepped_s`: how far the wall clock was set
    (forward is positive). `slept_s`: how long the computer slept. 0.0 if below the reporting
    threshold."""

    stepped_s: float
    slept_s: float

    def words(self) -> list[str]:
        """One sentence for each change."""
        told = []
        if self.stepped_s:
            way = "forward" if self.stepped_s > 0 else "back"
            told.append(
                f"Clock stepped by {abs(self.stepped_s):.1f} s ({way}) during the run: date and "
                "time of day are in doubt, times within the run are not."
            )
        if self.slept_s:
            told.append(
                f"The computer slept {self.slept_s:.1f} s during the run: nothing was watched or "
                "recorded meanwhile."
            )
        return told


def clock_change(start: Clocks, end: Clocks) -> ClockChange:
    """The changes between two clock readings within one boot."""
    awake_ns = end.monotonic_ns - start.monotonic_ns
    slept_s = (end.boottime_ns - start.boottime_ns - awake_ns) / NS_PER_S
    slept_s = slept_s if slept_s > SLEPT_S else 0.0
    stepped_s = (end.wall_ns - start.wall_ns - awake_ns) / NS_PER_S - slept_s
    return ClockChange(stepped_s if abs(stepped_s) > STEP_S else 0.0, slept_s)


def boot_id() -> str:
    """Identity of this boot; never compare monotonic times from two boots."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        return "unknown"


_STA_UNSYNC = 0x0040
_TIME_ERROR = 5


def clock_synchronised() -> bool | None:
    """Whether the kernel holds its clock synchronised (adjtimex(2)); None if it does not say."""
    buffer = (ctypes.c_long * 64)()  # struct timex is smaller than this on every Linux
    try:
        state = ctypes.CDLL(ctypes.util.find_library("c")).adjtimex(ctypes.byref(buffer))
    except (OSError, AttributeError):
        return None
    if state < 0:
        return None
    status = ctypes.c_int.from_buffer(buffer, 5 * ctypes.sizeof(ctypes.c_long)).value
    return state != _TIME_ERROR and not status & _STA_UNSYNC
