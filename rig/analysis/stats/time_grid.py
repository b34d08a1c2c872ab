# SPDX-License-Identifier: MIT
"""Coarsest possible step of the clock behind a list of time stamps."""

from __future__ import annotations

import numpy as np

from rig.core.recording import Float, Int64

FINEST_NS = 20_000
"""Smaller steps affect no figure and are not searched for."""
COARSER = 2.3
"""A step of less than this many times the last digit looks the same as the digit: two rounded
stamps may be off by a digit either way."""
JITTER = 0.05
"""Stamps of a grid may lie off it by this share of a step."""
MOST_GAPS, MOST_BANDS = 400, 200_000


def coarsest_step_ns(t_ns: Int64) -> float:
    """The largest step that the clock behind the stamps `t_ns` (n,) may have had, and the last
    digit where that is finer than the step; 0 for fewer than two different ones.

    Every gap between neighbours must be a whole number of steps, to within the last digit of the
    stamps (their greatest common divisor) or JITTER. Some step always fits a few random stamps; the
    more stamps there are, the finer the answer. An evenly ticking clock is never mistaken for a
    finer one; one that ticks unevenly by more than JITTER is, since it leaves no trace.

    Each gap g allows bands of frequencies about N / g; the result is the lowest frequency that all
    allow.
    """
    stamps = np.unique(t_ns)
    if len(stamps) < 2:
        return 0.0
    gaps = np.diff(stamps)
    digit = float(np.gcd.reduce(gaps))
    gaps = np.unique(gaps[:MOST_GAPS]).astype(np.float64)
    off = 0.999 * digit  # two rounded stamps are off by less than one digit together
    # a step this much finer than the shortest gap affects no figure either
    top = 1.0 / max(COARSER * digit, FINEST_NS, float(gaps[0]) / MOST_BANDS)
    low, high = _bands(gaps[0], np.arange(1, int(gaps[0] * top + 1) + 1), off)
    low, high = low[low < top], np.minimum(high[low < top], top)
    for gap in gaps[1:]:
        if not len(low):
            break
        first = np.maximum(np.floor(low * (gap - off) - JITTER), 1)
        many = np.maximum(np.ceil(high * (gap + off) + JITTER) - first + 1, 0)
        if many.sum() > MOST_BANDS:
            continue  # a gap this long says nothing yet; without it the step can only be coarser
        count = many.astype(np.int64)
        owner = np.repeat(np.arange(len(low)), count)
        number = first[owner] + np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
        from_, to = _bands(gap, number, off)
        from_, to = np.maximum(from_, low[owner]), np.minimum(to, high[owner])
        # bands of two neighbouring numbers may overlap: keep each separate
        low, high = from_[from_ < to], to[from_ < to]
    return digit + 1.0 / float(low.min()) if len(low) else digit


def _bands(gap: float, number: Int64, off: float) -> tuple[Float, Float]:
    """The frequencies at which `gap` is `number` (k,) of steps."""
    low: Float = np.minimum((number - JITTER) / gap, number / (gap + off))
    high: Float = np.asarray((number + JITTER) / gap, np.float64)
    if gap > off:
        high = np.maximum(high, number / (gap - off))
    return low, high
