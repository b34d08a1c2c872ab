# SPDX-License-Identifier: MIT
"""Whether a capture has a row for every sample, or rows only where something changed.

With a row for every sample, an edge lies between the sample before it and the row that shows it.
With rows for changes only, the time stamp is all there is.
"""

from __future__ import annotations

from array import array
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.core.recording import Bool, Int8, Int64

LEAST_QUIET = 3
QUIET_SHARE = 0.5
"""Samples without a change, per change: with fewer, a capture is not sampled."""
OWN_STEP = 0.7
"""Stamps with no divisor finer than this share of a step are not rounded: the step divides them
itself."""
SHORTER, LEAST_EARLY = 0.9, 3
"""Of the shortest quarter of steps without a change: a row earlier than that was not due."""


class Given(NamedTuple):
    """The values of one digital signal in a block of rows: `row` (n,) the row of each, `value`
    (n,). A row without a value has no entry."""

    row: NDArray[np.intp]
    value: Int8


class Seen(NamedTuple):
    """Result for one signal of a block, in step with its Given: `changed` (n,), and `before_ns`
    (n,) when it was last given before: in an earlier row where nothing else is known, its own time
    where it was not given yet."""

    changed: Bool
    before_ns: Int64


class SampledRows:
    """Follow the rows of one run, and their digital signals, block by block."""

    def __init__(self) -> None:
        self._last_row_ns: int | None = None
        self._digit_ns = 0
        self._last_sample: dict[str, tuple[int, int]] = {}
        self._quiet: dict[str, int] = {}
        self._changes: dict[str, int] = {}
        self._quiet_steps: array[int] = array("q")
        self._change_steps: array[int] = array("q")

    def block(self, t_ns: Int64, given: dict[str, Given]) -> dict[str, Seen]:
        """Rows at `t_ns` (n,), in order; several at one time count as one and come in one block."""
        starts = np.flatnonzero(np.diff(t_ns, prepend=t_ns[0] - 1))
        group = np.repeat(np.arange(len(starts)), np.diff(starts, append=len(t_ns)))
        at_ns = t_ns[starts]
        has_before = np.ones(len(starts), np.bool_)
        has_before[0] = self._last_row_ns is not None
        before_ns = np.append(self._last_row_ns or 0, at_ns[:-1])
        step_ns = at_ns - before_ns
        self._digit_ns = int(np.gcd.reduce(step_ns[has_before], initial=self._digit_ns))
        changed = {name: self._changed(name, one.value) for name, one in given.items()}
        is_given, is_changed = (np.zeros(len(starts), np.bool_) for _ in range(2))
        for name, one in given.items():
            is_given[group[one.row]] = True
            is_changed[group[one.row[changed[name]]]] = True
        quiet = is_given & ~is_changed
        self._quiet_steps.frombytes(step_ns[quiet & has_before].tobytes())
        self._change_steps.frombytes(step_ns[is_given & is_changed & has_before].tobytes())
        seen = {}
        for name, one in given.items():
            if not len(one.row):
                continue
            of_row, times = group[one.row], t_ns[one.row]
            _, last_ns = self._last_sample.get(name, (0, int(times[0])))
            sample_ns = np.append(last_ns, times[:-1])
            quiet_groups = np.unique(of_row[quiet[of_row]])
            # so far written only on change: the row before still had the old value
            first_quiet = -1 if self._quiet.get(name) else quiet_groups[:1]
            unsampled = has_before[of_row] & ~(
                of_row > first_quiet if np.size(first_quiet) else np.zeros(len(of_row), np.bool_)
            )
            sample_ns = np.where(unsampled, np.maximum(sample_ns, before_ns[of_row]), sample_ns)
            seen[name] = Seen(changed[name], sample_ns)
            self._quiet[name] = self._quiet.get(name, 0) + len(quiet_groups)
            self._changes[name] = self._changes.get(name, 0) + int(changed[name].sum())
            self._last_sample[name] = int(one.value[-1]), int(times[-1])
        self._last_row_ns = int(at_ns[-1])
        return seen

    def _changed(self, name: str, value: Int8) -> Bool:
        held = self._last_sample[name][0] if name in self._last_sample else value[:1]
        return np.asarray(value != np.append(held, value[:-1])[: len(value)])

    def every_ns(self) -> tuple[float, int] | None:
        """The median time from row to row of a sampled capture, and the last digit of its stamps, 0
        where the rows are evenly spaced by it; None where it is not sampled."""
        sampled = any(
            quiet >= LEAST_QUIET and quiet >= QUIET_SHARE * self._changes.get(name, 0)
            for name, quiet in self._quiet.items()
        )
        if not sampled or not self._quiet_steps or self._rows_of_their_own():
            return None
        middle = float(np.median(np.frombuffer(self._quiet_steps, np.int64)))
        return middle, 0 if 0 < OWN_STEP * middle <= self._digit_ns else self._digit_ns

    def _rows_of_their_own(self) -> bool:
        """Whether more than a third of the changes, and at least three, came sooner after the row
        before than three of four rows without a change do: the logger then wrote them as they came,
        beside its readings. Where rows are samples, a change waits for the next sample like any
        other row."""
        steps = np.frombuffer(self._quiet_steps, np.int64)
        soon = SHORTER * np.partition(steps, len(steps) // 4)[len(steps) // 4]
        early = int((np.frombuffer(self._change_steps, np.int64) < soon).sum())
        return early >= LEAST_EARLY and 3 * early > len(self._change_steps)
