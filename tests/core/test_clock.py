# SPDX-License-Identifier: MIT
"""Clocks: the kernel's, and one that stands still until told."""

from __future__ import annotations

import time
import uuid
from typing import Any

import pytest

from rig.core import clock
from rig.core.clock import (
    ClockChange,
    Clocks,
    MonotonicClock,
    VirtualClock,
    clock_change,
    read_clocks,
    read_wall_time,
)


def test_monotonic_clock_is_the_kernels() -> None:
    before = time.clock_gettime_ns(time.CLOCK_MONOTONIC)
    now = MonotonicClock().now_ns()
    after = time.clock_gettime_ns(time.CLOCK_MONOTONIC)
    assert before <= now <= after


def test_virtual_clock_never_goes_back() -> None:
    virtual = VirtualClock(100)
    virtual.advance_to(250)
    virtual.advance_to(200)
    assert virtual.now_ns() == 250


def test_wall_time_is_read_with_its_monotonic_instant() -> None:
    before = time.monotonic_ns()
    wall = read_wall_time()
    after = time.monotonic_ns()
    assert before <= wall.monotonic_ns <= after
    assert wall.utc_s == pytest.approx(time.time(), abs=60)
    uuid.UUID(wall.boot_id)  # random.c of the kernel writes a UUID
    assert wall.synchronised in (True, False, None)


def test_boot_id_is_unknown_where_the_kernel_has_none(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(*_: object) -> str:
        raise FileNotFoundError

    monkeypatch.setattr(clock.Path, "read_text", missing)
    assert clock.boot_id() == "unknown"


class Library:
    """A C library whose adjtimex(2) answers as told."""

    def __init__(self, state: int, status: int) -> None:
        self.state, self.status = state, status

    def adjtimex(self, pointer: Any) -> int:
        # struct timex (linux/timex.h): modes (int, padded), then offset, freq, maxerror,
        # esterror as long, then status as int
        memory = pointer._obj
        memory[5] = self.status
        return self.state


@pytest.mark.parametrize(
    ("state", "status", "synchronised"),
    [
        # adjtimex(2): TIME_OK 0, TIME_ERROR 5, -1 failed; STA_UNSYNC 0x40, STA_NANO 0x2000
        (0, 0x2001, True),
        (0, 0x2041, False),
        (5, 0x2041, False),
        (5, 0x2001, False),
        (-1, 0, None),
    ],
)
def test_whether_the_clock_is_synchronised(
    state: int, status: int, synchronised: bool | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clock.ctypes, "CDLL", lambda _: Library(state, status))
    assert clock.clock_synchronised() is synchronised


def test_no_c_library_means_unknown(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(_: object) -> None:
        raise OSError

    monkeypatch.setattr(clock.ctypes, "CDLL", missing)
    assert clock.clock_synchronised() is None


# -- what happened to the clocks of a run

S = 10**9


def later(awake_s: float, *, slept_s: float = 0.0, stepped_s: float = 0.0) -> ClockChange:
    start = Clocks(1_700_000_000 * S, 5 * S, 9 * S)
    end = Clocks(
        start.wall_ns + round((awake_s + slept_s + stepped_s) * S),
        start.monotonic_ns + round(awake_s * S),
        start.boottime_ns + round((awake_s + slept_s) * S),
    )
    return clock_change(start, end)


def test_a_step_and_sleep_are_told_apart() -> None:
    assert later(60) == (0.0, 0.0)
    assert later(60, stepped_s=-3600) == (-3600.0, 0.0)
    assert later(60, slept_s=7200) == (0.0, 7200.0)
    assert later(60, slept_s=30, stepped_s=86_400) == (86_400.0, 30.0)
    assert later(86_400, stepped_s=0.5) == (0.0, 0.0)
    assert later(86_400, stepped_s=0.51).stepped_s == pytest.approx(0.51)


def test_what_is_told_of_it() -> None:
    assert later(60).words() == []
    step, slept = later(60, slept_s=30, stepped_s=-2.04).words()
    assert step.startswith("Clock stepped by 2.0 s (back) during the run")
    assert slept.startswith("The computer slept 30.0 s during the run")


def test_the_kernels_clocks_agree_with_themselves() -> None:
    """Read twice in a row, nothing has happened; CLOCK_BOOTTIME is never behind CLOCK_MONOTONIC
    (clock_gettime(2))."""
    first, second = read_clocks(), read_clocks()
    assert second.monotonic_ns >= first.monotonic_ns
    assert first.boottime_ns >= first.monotonic_ns - 10**8
    assert clock_change(first, second) == (0.0, 0.0)
