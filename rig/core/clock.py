# SPDX-License-Identifier: MIT
"""Time as the rig uses it: integer nanoseconds of the monotonic clock.

Wall time is taken once per run, together with the boot id and whether the system's clock was
synchronised, because a Raspberry Pi without a battery-backed clock may be weeks off at start.
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
    """Time that passes only when told to; it never goes back."""

    def __init__(self, start_ns: int = 0) -> None:
        self._now_ns = start_ns

    def now_ns(self) -> int:
        return self._now_ns

    def advance_to(self, t_ns: int) -> None:
        if t_ns > self._now_ns:
            self._now_ns = t_ns


class WallTime(NamedTuple):
    """The wall clock at one monotonic instant.

    `synchronised` is None where the kernel does not say.
    """

    utc_s: float
    monotonic_ns: int
    boot_id: str
    synchronised: bool | None


def read_wall_time() -> WallTime:
    """Wall clock, monotonic clock, boot id and synchronisation state, read together."""
    before = time.monotonic_ns()
    utc_s = time.time()
    after = time.monotonic_ns()
    return WallTime(utc_s, (before + after) // 2, boot_id(), clock_synchronised())


def boot_id() -> str:
    """Identity of this boot; monotonic times of two boots must never be compared."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        return "unknown"


_STA_UNSYNC = 0x0040
_TIME_ERROR = 5


def clock_synchronised() -> bool | None:
    """Whether the kernel holds its clock synchronised (adjtimex(2)); None if it will not say."""
    buffer = (ctypes.c_long * 64)()  # struct timex is smaller than this on every Linux
    try:
        state = ctypes.CDLL(ctypes.util.find_library("c")).adjtimex(ctypes.byref(buffer))
    except (OSError, AttributeError):
        return None
    if state < 0:
        return None
    status = ctypes.c_int.from_buffer(buffer, 5 * ctypes.sizeof(ctypes.c_long)).value
    return state != _TIME_ERROR and not status & _STA_UNSYNC
