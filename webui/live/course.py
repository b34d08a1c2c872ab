# SPDX-License-Identifier: MIT
"""A fast channel during the current stroke, reduced to the lowest and highest reading in each of a
bounded number of equal intervals, so that a spike is never lost.

Pure: no clock of its own.
"""

from __future__ import annotations

import bisect
import itertools
from collections.abc import Callable, Iterable

from rig.config.analog.signal import OUT_OF_RANGE
from rig.core.records import CHANNEL_UNITS, GOOD, Block
from webui.api.models_live import CourseNow

INTERVALS_MOST = 240
"""At twice this many the intervals are merged in pairs: as many as a phone has points across."""
FIRST_STEP_NS = 1_000_000
MS = 1e6
DIGITS = 3
BELIEVED = (GOOD, OUT_OF_RANGE)
"""As the interlock: a peak that the converter could not follow is a peak."""


class Course:
    """Readings since `begin`, which clears them. `facts()` is what a page draws."""

    def __init__(self, channel: str) -> None:
        self._unit = CHANNEL_UNITS.get(channel, "")
        self.begin(0)

    def begin(self, from_ns: int) -> None:
        """A stroke was commanded at `from_ns`."""
        self._from_ns, self._step_ns = from_ns, FIRST_STEP_NS
        self._low: list[float | None] = []
        self._high: list[float | None] = []

    def add(self, block: Block) -> None:
        """Add a block; readings from before the stroke, and disbelieved ones, are left out."""
        t_ns = list(itertools.accumulate(block.steps_ns, initial=block.t_ns))
        ends = [run[0] for run in block.runs[1:]] + [len(block.codes)]
        for (begin, quality), end in zip(block.runs, ends, strict=True):
            if quality in BELIEVED:
                first = max(begin, bisect.bisect_left(t_ns, self._from_ns))
                self._add(block, t_ns, first, end)

    def _add(self, block: Block, t_ns: list[int], first: int, end: int) -> None:
        while first < end:
            at = (t_ns[first] - self._from_ns) // self._step_ns
            while at >= 2 * INTERVALS_MOST:
                self._halve()
                at = (t_ns[first] - self._from_ns) // self._step_ns
            stop = bisect.bisect_left(t_ns, self._from_ns + (at + 1) * self._step_ns, first, end)
            codes = block.codes[first:stop]
            one, other = (
                round(block.offset + block.scale * code, DIGITS)
                for code in (min(codes), max(codes))
            )
            self._put(at, min(one, other), max(one, other))  # the scale may be negative
            first = stop

    def _put(self, at: int, low: float, high: float) -> None:
        missing = at + 1 - len(self._low)
        if missing > 0:
            self._low += [None] * missing
            self._high += [None] * missing
        before = self._low[at], self._high[at]
        self._low[at] = low if before[0] is None else min(low, before[0])
        self._high[at] = high if before[1] is None else max(high, before[1])

    def _halve(self) -> None:
        self._step_ns *= 2
        self._low = [_of(min, pair) for pair in itertools.zip_longest(*[iter(self._low)] * 2)]
        self._high = [_of(max, pair) for pair in itertools.zip_longest(*[iter(self._high)] * 2)]

    def facts(self) -> CourseNow:
        """`low` and `high` of each interval of `step_ms` from the command on; None: no reading."""
        return {
            "unit": self._unit,
            "step_ms": self._step_ns / MS,
            "low": list(self._low),
            "high": list(self._high),
        }


def _of(choose: Callable[[Iterable[float]], float], pair: tuple[float | None, ...]) -> float | None:
    known = [value for value in pair if value is not None]
    return choose(known) if known else None
