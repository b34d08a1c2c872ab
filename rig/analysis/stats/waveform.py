# SPDX-License-Identifier: MIT
"""Transitions of a waveform between its state levels (IEEE Std 181-2011 terms), many at once.

Times in the unit of `t`, levels in that of `value`. Samples need not be evenly spaced. Reference
level instants lie on the straight line between the samples beside them; the distance of those
samples is returned as well, since an instant is known no better than that.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rig.core.recording import Bool, Float, Int64

TOLERANCE_PERCENT = 2.0


class Instants(NamedTuple):
    """When a reference level was crossed in each of n windows: between the samples at `after` and
    `before`, on the line between them `t`. All (n,), NaN where it was never crossed."""

    t: Float
    after: Float
    before: Float

    @property
    def gap(self) -> Float:
        """Time between the two samples."""
        return self.before - self.after


class Passages(NamedTuple):
    """One transition per window, all (n,). `first`, `t10`, `t50`, `t90`: where the change began to
    show, and the instants at 10, 50, 90 % of it. `overshoot`, `undershoot`: percent of the state
    amplitude beyond, and back behind, the state that is reached. `settling`: from the mid-reference
    instant until the waveform stays within the tolerance, NaN where it does not within the seek
    duration. `inside`: samples from the 10 % to the 90 % instant."""

    first: Instants
    t10: Instants
    t50: Instants
    t90: Instants
    overshoot: Float
    undershoot: Float
    settling: Float
    inside: Int64

    @property
    def duration(self) -> Float:
        """The 10-90 % transition duration."""
        return self.t90.t - self.t10.t

    @property
    def shortest(self) -> Float:
        """Minimum duration, whatever happened between samples."""
        return np.maximum(self.t90.after - self.t10.before, 0.0)

    @property
    def longest(self) -> Float:
        """Maximum duration."""
        return self.t90.before - self.t10.after


def passages(
    t: Float,
    value: Float,
    start: Int64,
    end: Int64,
    from_level: Float,
    to_level: Float,
    first_share: Float | float = TOLERANCE_PERCENT / 100,
    seek: float | None = None,
    tolerance_percent: float = TOLERANCE_PERCENT,
) -> Passages:
    """The transition from `from_level` to `to_level` in each window [start, end) of samples.

    `t`, `value` (m,) in order of time; `start`, `end` (n,) indices into them, windows in order. The
    sample at `start` is the one before the transition may begin, and may also belong to the window
    before. `first_share` of the amplitude marks the first change. `seek`: how long after the
    mid-reference instant it must have settled and stayed settled, by default to the window's end.
    Overshoot is measured by state amplitude from the state level after the 50 % instant, undershoot
    after that level was first reached (control texts use percent of the final value, which is the
    same only for a step from 0). A window without amplitude gives NaN.
    """
    n, length = len(start), np.maximum(end - start - 1, 0)
    cuts = np.concatenate(([0], np.cumsum(length)))
    place = np.arange(cuts[-1])
    place += np.repeat(start + 1 - cuts[:-1], length)
    amplitude = to_level - from_level
    scale = np.divide(1.0, amplitude, out=np.full(n, np.nan), where=amplitude != 0)
    change = value[place]
    change -= np.repeat(from_level, length)
    change *= np.repeat(scale, length)  # from 0 to 1 whichever way it goes
    has_start = start < len(value) if len(value) else np.zeros(n, np.bool_)
    before = np.full(n, np.nan)
    before[has_start] = (value[start[has_start]] - from_level[has_start]) * scale[has_start]
    seen = _Seen(t, value, place, change, cuts, before, from_level, amplitude)
    first = seen.crossing(np.broadcast_to(first_share, n))
    marks = [seen.crossing(np.full(n, share)) for share in (0.1, 0.5, 0.9)]
    (_, ten), (at_mid, mid), (_, ninety) = marks
    known = at_mid >= 0
    most = seen.extreme(np.maximum, at_mid, known) - 1.0
    at_state, _ = seen.crossing(np.ones(n))
    least = seen.extreme(np.minimum, at_state, at_state >= 0)
    under = np.where(known, 0.0, np.nan)
    under[at_state >= 0] = np.maximum(1.0 - least[at_state >= 0], 0.0)
    both = (marks[0][0] >= 0) & (marks[2][0] >= 0)
    return Passages(
        first[1], ten, mid, ninety,
        100.0 * np.where(known, np.maximum(most, 0.0), np.nan), 100.0 * under,
        seen.settling(at_mid, mid, seek, tolerance_percent / 100.0),
        np.where(both, marks[2][0] - marks[0][0], 0),
    )  # fmt: skip


def reduced(which: np.ufunc, value: Float, low: Int64, high: Int64) -> Float:
    """`which` (np.maximum, np.minimum) over the values of each [low, high), (n,), which are in
    order and do not overlap; `low` below the number of values, `high` at most that."""
    pairs = np.stack((low, high), axis=1).ravel()
    if len(pairs) and pairs[:-1].max() < len(value):
        cut = pairs if pairs[-1] < len(value) else pairs[:-1]  # the last goes on to the end anyway
        return np.asarray(which.reduceat(value, cut)[::2])
    return np.asarray(which.reduceat(np.append(value, value[-1]), pairs)[::2])


def _first_from(hits: Int64, start: Int64, none: int) -> Int64:
    """The first of `hits`, in order, at or after each start; `none` where there is none."""
    place = np.searchsorted(hits, start)
    there = place < len(hits)
    return np.where(there, hits[np.where(there, place, 0)] if len(hits) else none, none)


class _Seen(NamedTuple):
    """All windows' samples after their first, concatenated: `place` in the samples, `change` as a
    share of the amplitude; window i is [cuts[i], cuts[i + 1])."""

    t: Float
    value: Float
    place: Int64
    change: Float
    cuts: Int64
    before: Float
    from_level: Float
    amplitude: Float

    def crossing(self, share: Float) -> tuple[Int64, Instants]:
        """Where each window first reaches `share` (n,), -1 where it does not or began beyond."""
        same = len(share) > 0 and bool((share == share[0]).all())
        level = share[0] if same else np.repeat(share, np.diff(self.cuts))
        found = _first_from(np.flatnonzero(self.change >= level), self.cuts[:-1], self.cuts[-1])
        there = (found < self.cuts[1:]) & ~(self.before >= share) & np.isfinite(self.before)
        at = np.where(there, found, -1)
        later = self.place[found[there]]
        t0, t1 = self.t[later - 1], self.t[later]
        v0, v1 = self.value[later - 1], self.value[later]
        level_there = (self.from_level + self.amplitude * share)[there]
        columns = [np.full(len(share), np.nan) for _ in range(3)]
        for column, number in zip(
            columns, (t0 + (t1 - t0) * (level_there - v0) / (v1 - v0), t0, t1), strict=True
        ):
            column[there] = number
        return at, Instants(*columns)

    def extreme(self, which: np.ufunc, from_place: Int64, known: Bool) -> Float:
        """Largest or least change from each place to its window's end; NaN where not `known`."""
        out = np.full(len(known), np.nan)
        if known.any():
            out[known] = reduced(which, self.change, from_place[known], self.cuts[1:][known])
        return out

    def settling(self, at_mid: Int64, mid: Instants, seek: float | None, band: float) -> Float:
        """From the mid instant to where the change stays within `band` of 1, on the line between
        samples; NaN where the samples end before the seek duration or it does not stay."""
        out = np.full(len(at_mid), np.nan)
        rows = np.flatnonzero(at_mid >= 0)
        ends = self.cuts[1:][rows]
        if seek is not None and len(rows):
            until = mid.t[rows] + seek
            last_t = self.t[self.place[ends - 1]]
            reach = np.searchsorted(self.t, until, "right") - self.place[at_mid[rows]]
            ends = np.where(last_t >= until, np.minimum(at_mid[rows] + reach, ends), -1)
            rows, ends = rows[ends > 0], ends[ends > 0]
        outside = self.change > 1.0 + band  # no copy of what may be a hundred megabytes
        outside |= self.change < 1.0 - band
        away = np.append(np.flatnonzero(outside), self.cuts[-1])
        last = np.concatenate(([-1], away))[np.searchsorted(away[:-1], ends)]
        last = np.maximum(last, at_mid[rows] - 1)  # the sample before the mid instant is outside
        held = last < ends - 1
        rows, last = rows[held], last[held]
        after = self.place[last + 1]
        scale = 1.0 / self.amplitude[rows]
        off0 = (self.value[after - 1] - self.from_level[rows]) * scale - 1.0
        off1 = (self.value[after] - self.from_level[rows]) * scale - 1.0
        edge = np.where(off0 > 0, band, -band)
        part = (edge - off0) / (off1 - off0)
        t0, t1 = self.t[after - 1], self.t[after]
        out[rows] = np.maximum(t0 + part * (t1 - t0), mid.t[rows]) - mid.t[rows]
        return out


def transition(
    t: Float, value: Float, from_level: float, to_level: float, seek: float | None = None,
    tolerance_percent: float = TOLERANCE_PERCENT,
) -> Passages:  # fmt: skip
    """`passages` of one waveform as a whole: all columns (1,)."""
    return passages(
        t, value, np.array([0]), np.array([len(t)]), np.array([from_level]),
        np.array([to_level]), seek=seek, tolerance_percent=tolerance_percent,
    )  # fmt: skip
