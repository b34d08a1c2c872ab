# SPDX-License-Identifier: MIT
"""Plots of the report as SVG: black on white, lines and shapes, no script, no style sheet (a
printer of HTML may not apply the page's styles inside an SVG)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape
from typing import NamedTuple, TypeVar

T = TypeVar("T")

INK, GREY, FAINT, LIMIT = "#14181c", "#48515a", "#d5d9dd", "#b03a00"
LEFT, RIGHT, TOP, BOTTOM = 40, 8, 14, 26
"""Margins around the plot, in drawing units (about a point on paper)."""


class Mark(NamedTuple):
    """A point of a plot: a dot, or a cross where there is no number."""

    x: float
    y: float | None


class Line(NamedTuple):
    """A level across the plot with its words; `limit` lines are dashed and in the limit colour,
    others grey."""

    y: float
    words: str
    limit: bool


class Axis(NamedTuple):
    """Map numbers from `low` to `high` onto the drawing from `start` to `end`."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Position of a number, clamped to the ends."""
        held = min(max(value, self.low), self.high)
        return round(
            self.start + (held - self.low) / (self.high - self.low) * (self.end - self.start), 2
        )

    def ticks(self, wanted: int) -> list[tuple[float, str]]:
        """About this many round numbers inside the range."""
        raw = (self.high - self.low) / wanted
        power = 10.0 ** math.floor(math.log10(raw))
        step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw * 0.999)
        digits = max(0, -math.floor(math.log10(step) + 1e-9))
        first, last = math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9)
        return [(n * step, f"{n * step:.{digits}f}") for n in range(first, last + 1)]


def spanning(values: Iterable[float], room: float = 0.08) -> tuple[float, float]:
    """From the smallest to the largest with a small margin, never of zero width."""
    known = [v for v in values if math.isfinite(v)] or [0.0, 1.0]
    low, high = min(known), max(known)
    more = room * (high - low) or max(abs(high) * 0.05, 0.5)
    return low - more, high + more


class Plot:
    """One drawing with its axes; elements are drawn in the order added."""

    def __init__(
        self, title: str, size: tuple[int, int], x: tuple[float, float], y: tuple[float, float],
        x_words: str, y_ticks: int = 4,
    ) -> None:  # fmt: skip
        self.width, self.height = size
        self.x = Axis(*x, LEFT, self.width - RIGHT)
        self.y = Axis(*y, self.height - BOTTOM, TOP)
        self.parts: list[str] = []
        self._frame(title, x_words, y_ticks)
        self.title = title

    def _frame(self, title: str, x_words: str, y_ticks: int) -> None:
        left, right, low, high = self.x.start, self.x.end, self.y.start, self.y.end
        for value, label in self.y.ticks(y_ticks) if y_ticks else ():
            at = self.y.at(value)
            self.stroke(left, at, right, at, FAINT, 0.6)
            self.text(left - 4, at + 3, label, "end")
        for value, label in self.x.ticks(6):
            at = self.x.at(value)
            self.stroke(at, low, at, low + 3, GREY, 0.8)
            self.text(at, low + 12, label, "middle")
        self.stroke(left, low, right, low, GREY, 0.8)
        self.stroke(left, low, left, high, GREY, 0.8)
        self.text(left - 36, 9, title, "start", bold=True)
        self.text(right, self.height - 3, x_words, "end")

    def stroke(
        self, x1: float, y1: float, x2: float, y2: float, colour: str, width: float, dash: str = ""
    ) -> None:
        """A straight line in drawing units."""
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<line x1="{x1:g}" y1="{y1:g}" x2="{x2:g}" y2="{y2:g}" stroke="{colour}" '
            f'stroke-width="{width:g}"{dashed}/>'
        )

    def text(self, x: float, y: float, words: str, anchor: str, bold: bool = False) -> None:
        """Text in drawing units."""
        weight = ' font-weight="bold"' if bold else ""
        self.parts.append(
            f'<text x="{x:g}" y="{y:g}" font-size="8.5" font-family="sans-serif" fill="{INK}" '
            f'text-anchor="{anchor}"{weight}>{escape(words)}</text>'
        )

    def level(self, line: Line) -> None:
        """A limit or a mean across the plot."""
        at = self.y.at(line.y)
        colour, dash = (LIMIT, "6 3") if line.limit else (GREY, "1.5 2")
        self.stroke(self.x.start, at, self.x.end, at, colour, 1.2 if line.limit else 0.9, dash)
        above = at - 2.5 if at > TOP + 9 else at + 9
        self.text(self.x.end - 2, above, line.words, "end")

    def marks(self, points: Sequence[Mark]) -> None:
        """Dots; a cross at the foot for a stroke without a number."""
        for x, y in points:
            at = self.x.at(x)
            if y is None or not math.isfinite(y):
                foot = self.y.start - 6
                path = f"M{at - 3:g} {foot - 3:g}l6 6M{at + 3:g} {foot - 3:g}l-6 6"
                self.parts.append(
                    f'<path d="{path}" stroke="{LIMIT}" stroke-width="1.5" fill="none"/>'
                )
            else:
                self.parts.append(
                    f'<circle cx="{at:g}" cy="{self.y.at(y):g}" r="1.9" fill="{INK}"/>'
                )

    def curve(self, points: Sequence[Mark]) -> None:
        """A line through the points in order."""
        laid = " ".join(f"{self.x.at(x):g},{self.y.at(y):g}" for x, y in points if y is not None)
        self.parts.append(
            f'<polyline points="{laid}" fill="none" stroke="{INK}" stroke-width="1.1"/>'
        )

    def bar(self, low: float, high: float, y: float, height: float, colour: str = INK) -> None:
        """A filled bar from `low` to `high` on the x axis, `y` in drawing units."""
        left, right = self.x.at(low), self.x.at(high)
        self.parts.append(
            f'<rect x="{left:g}" y="{y:.2f}" width="{max(right - left, 0.4):.2f}" '
            f'height="{height:.2f}" fill="{colour}"/>'
        )

    def svg(self, said: str) -> str:
        """The drawing; `said` is the text for a screen reader."""
        name = escape(f"{self.title}. {said}", quote=True)
        size = f'viewBox="0 0 {self.width} {self.height}"'
        return f'<svg {size} role="img" aria-label="{name}">{"".join(self.parts)}</svg>'


def fewer(values: Sequence[T], most: int) -> list[T]:
    """At most this many of them, evenly spaced, first and last kept."""
    if len(values) <= most:
        return list(values)
    return [values[round(i * (len(values) - 1) / (most - 1))] for i in range(most)]
