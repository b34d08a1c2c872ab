# SPDX-License-Identifier: MIT
"""Whether a capture has a row at every look, or rows only where something changed.

In the first an edge lies between the last look before it and the row that shows it. In the second
the stamp is all there is.
"""

from __future__ import annotations

import math
import statistics
from array import array

LEAST_QUIET = 3
QUIET_SHARE = 0.5
"""Looks that show no change, per change: fewer do not make a capture sampled."""
OWN_STEP = 0.7
"""Stamps that have no divisor finer than this share of a step are not rounded: the step divides
them itself."""
SHORTER, LEAST_EARLY = 0.9, 3
"""Of the shortest quarter of steps without a change: a row that comes before was not due."""


class Looks:
    """Follows the rows of one run, and the signals of 0 and 1 given in them."""

    def __init__(self) -> None:
        self._now_ns: int | None = None
        self._digit_ns = 0
        self._last_row_ns: int | None = None
        self._last_look: dict[str, int] = {}
        self._given: set[str] = set()
        self._changed = False
        self._quiet: dict[str, int] = {}
        self._changes: dict[str, int] = {}
        self._quiet_steps: array[int] = array("q")
        self._change_steps: array[int] = array("q")

    def row(self, t_ns: int) -> None:
        """A row begins; several of one time are one."""
        if t_ns == self._now_ns:
            return
        self._close()
        if self._now_ns is not None:
            self._digit_ns = math.gcd(self._digit_ns, t_ns - self._now_ns)
        self._last_row_ns, self._now_ns = self._now_ns, t_ns
        self._given.clear()
        self._changed = False

    def look(self, name: str, t_ns: int, *, changed: bool) -> int:
        """Signal `name` has a value in this row. When it was last given before: in an earlier row
        where nothing else is known, `t_ns` itself in the first row."""
        before = self._last_look.get(name, t_ns)
        if changed and not self._quiet.get(name) and self._last_row_ns is not None:
            # written only where it changes, so far: the row before still had the old value
            before = max(before, self._last_row_ns)
        self._last_look[name] = t_ns
        self._given.add(name)
        if changed:
            self._changed = True
            self._changes[name] = self._changes.get(name, 0) + 1
        return before

    def every_ns(self) -> tuple[float, int] | None:
        """The middle time from row to row of a sampled capture, and the last digit of its stamps, 0
        where the rows come evenly by that; None where it is not sampled."""
        self._close()
        self._given.clear()
        sampled = any(
            quiet >= LEAST_QUIET and quiet >= QUIET_SHARE * self._changes.get(name, 0)
            for name, quiet in self._quiet.items()
        )
        if not sampled or not self._quiet_steps or self._rows_of_their_own():
            return None
        middle = statistics.median(self._quiet_steps)
        return middle, 0 if 0 < OWN_STEP * middle <= self._digit_ns else self._digit_ns

    def _close(self) -> None:
        """The row is complete."""
        if not self._given or self._now_ns is None:
            return
        if not self._changed:
            for name in self._given:
                self._quiet[name] = self._quiet.get(name, 0) + 1
        if self._last_row_ns is not None:
            steps = self._change_steps if self._changed else self._quiet_steps
            steps.append(self._now_ns - self._last_row_ns)

    def _rows_of_their_own(self) -> bool:
        """More than a third of the changes, and three at least, came sooner after the row before
        than three of four rows without a change do: the logger wrote them when they came, beside
        its readings. Where rows are looks, a change waits for the next like any other row."""
        steps = sorted(self._quiet_steps)
        soon = SHORTER * steps[len(steps) // 4]
        early = sum(step < soon for step in self._change_steps)
        return early >= LEAST_EARLY and 3 * early > len(self._change_steps)
