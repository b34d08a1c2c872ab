# SPDX-License-Identifier: MIT
"""Small plots that the server draws as SVG in percent of their width: they need no script, fit any
screen, and print. Only positions are computed here; the templates draw."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

MOST_DOTS = 400
FAR = 1.5
"""A limit more than this many widths of the bars away is stated in words."""


class Scale(NamedTuple):
    """A range of numbers on an axis, with round ticks."""

    low: float
    high: float
    ticks: list[tuple[float, str]]

    def at(self, value: float | None) -> float | None:
        """Position of `value`, percent of the width; None if unknown."""
        if value is None:
            return None
        return round(100 * (value - self.low) / (self.high - self.low), 3)

    def inside(self, value: float) -> bool:
        """Whether a value is on the scale, ends included."""
        return self.low <= value <= self.high


def scale(values: Iterable[float | None], ticks: int = 5) -> Scale | None:
    """A scale that fits all known `values` with some margin; None if there are none."""
    known = [v for v in values if v is not None]
    if not known:
        return None
    low, high = min(known), max(known)
    room = 0.06 * (high - low) or max(abs(high) * 0.05, 0.5)
    low, high = low - room, high + room
    return Scale(low, high, _round_ticks(low, high, ticks))


def _round_ticks(low: float, high: float, wanted: int) -> list[tuple[float, str]]:
    raw = (high - low) / wanted
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    first = math.ceil(low / step)
    return [(n * step, f"{n * step:.{digits}f}") for n in range(first, math.floor(high / step) + 1)]


class Bar(NamedTuple):
    """One histogram bin: from and to, percent along the scale; `n` strokes; its height, percent of
    the highest."""

    left: float
    width: float
    n: int
    height: float
    words: str


class Histogram(NamedTuple):
    """Bars on a scale; `marks` are limits on it: (percent, words); `beyond` the words of limits too
    far off to draw without squeezing the bars together."""

    scale: Scale
    bars: list[Bar]
    n: int
    most: int
    marks: list[tuple[float, str]]
    beyond: list[str]


def histogram(values: Sequence[float], limits: Sequence[tuple[float, str]]) -> Histogram | None:
    """Bins of one round width over `values`; None with fewer than five. The width is that of
    Freedman and Diaconis, rounded to 1, 2 or 5 times a power of ten; 5 to 40 bins."""
    if len(values) < 5:
        return None
    ordered = sorted(values)
    n = len(ordered)
    quartiles = ordered[n // 4], ordered[(3 * n) // 4]
    reach = ordered[-1] - ordered[0]
    width = 2 * (quartiles[1] - quartiles[0]) / n ** (1 / 3)
    width = min(max(width, reach / 40), reach / 5) if reach else 1.0
    power = 10.0 ** math.floor(math.log10(width))
    width = next(m * power for m in (1, 2, 5, 10) if m * power >= width * 0.999)
    first = math.floor(ordered[0] / width)
    count = [0] * (math.floor(ordered[-1] / width) - first + 1)
    for value in ordered:
        count[math.floor(value / width) - first] += 1
    edges = [first * width, (first + len(count)) * width]
    room = FAR * (edges[1] - edges[0])
    near = [one for one in limits if edges[0] - room <= one[0] <= edges[1] + room]
    line = scale([*edges, *(value for value, _ in near)])
    if line is None:
        return None
    digits = max(0, -math.floor(math.log10(width) + 1e-9))
    most = max(count)
    bars = []
    for i, held in enumerate(count):
        low, high = (first + i) * width, (first + i + 1) * width
        left, right = line.at(low) or 0.0, line.at(high) or 0.0
        words = f"{low:.{digits}f} to {high:.{digits}f} ms: {held}"
        bars.append(Bar(left, round(right - left, 3), held, round(100 * held / most, 2), words))
    marks = [(line.at(value) or 0.0, words) for value, words in near]
    return Histogram(line, bars, n, most, marks, [one[1] for one in limits if one not in near])
