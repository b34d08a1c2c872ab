# SPDX-License-Identifier: MIT
"""Mean rate of change of a quantity that does not change along a straight line.

The mean rate is the difference between the first and the last reading over their distance: it needs
no model of the change, and cannot be shifted by a smooth curve too stiff at the ends. A least
squares curve (Legendre polynomials, so that its terms hardly depend on one another) through all
readings gives the uncertainty of the two readings: their scatter about it.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from rig.analysis.stats.intervals import MAD_TO_SD
from rig.analysis.stats.straight_line import far_off
from rig.core.recording import Bool, Float

LEAST_TERMS, MOST_TERMS = 3, 10
READINGS_A_TERM = 3
LEAST_FREE = 1e-6
"""Share of its variance that a reading keeps about a curve that it pulls towards itself."""
ENDS_FAR = 4.0
"""Standard deviations: one independent end in 16,000 is farther off by chance (normal law)."""
ROUNDED = 1e-9
"""Share of the greatest value: arithmetic noise below it is no scatter."""
LAGS, LEAST_SECOND = (1, 2, 4), 8
"""Distances of second differences, and fewest of them that give a scatter."""


def about_neighbours(value: Float) -> float:
    """Standard deviation of one reading about a line through its neighbours: from the second
    differences of `value` (n,), which a steady change leaves at 0, by their median so that turns
    and steps do not count; the largest over several distances, since neighbours may be correlated.
    For independent readings of standard deviation s a second difference has s sqrt(6). 0 with too
    few."""
    found = 0.0
    for lag in LAGS:
        second = value[2 * lag :] - 2 * value[lag:-lag] + value[: -2 * lag]
        if len(second) >= LEAST_SECOND:
            found = max(found, MAD_TO_SD * float(np.median(np.abs(second))) / math.sqrt(6))
    return found


class MeanRate(NamedTuple):
    """`rate` from the first to the last reading, `error` its standard error; `ends_error` that of
    the curve's ends for independent readings, for a curve of `terms` terms; `rest` (k,) the
    residuals of the readings used, `used` (n,). `first_alone`, `last_alone`: that reading lies far
    off the curve through all others, and the one beside it does not."""

    rate: float
    error: float
    ends_error: float
    terms: int
    rest: Float
    used: Bool
    first_alone: bool
    last_alone: bool


def mean_rate(t: Float, value: Float) -> MeanRate | None:
    """Mean rate of `value` (n,) over `t`, in order of time; None with readings at too few instants
    for a curve (readings that arrived together share one).

    Many terms on purpose: terms chosen by the noise (an information criterion) leave too much of a
    smooth fall in the scatter. Lone readings far off the curve are left out, the two ends never.
    """
    terms = min(MOST_TERMS, len(np.unique(t)) // READINGS_A_TERM)
    if terms < LEAST_TERMS:
        return None
    x, span = 2 * (t - t[0]) / (t[-1] - t[0]) - 1, float(t[-1] - t[0])
    columns = np.asarray(np.polynomial.legendre.legvander(x, terms - 1), np.float64)
    used = np.ones(len(t), np.bool_)
    rest = value - columns @ np.linalg.lstsq(columns, value, rcond=None)[0]
    far = np.abs(rest) > far_off(rest, value)
    lone = far[1:-1] & ~far[:-2] & ~far[2:]  # several in a row are the pressure itself
    if len(used) - lone.sum() >= 2 * terms:
        used[1:-1] = ~lone
    columns, kept = columns[used], value[used]
    if np.linalg.matrix_rank(columns) < terms:
        return None
    across, down = np.linalg.qr(columns)
    rest = kept - across @ (across.T @ kept)
    scatter = math.sqrt(float(rest @ rest) / (len(rest) - terms))
    ends = np.polynomial.legendre.legvander(np.array([-1.0, 1.0]), terms - 1)
    lever = float(np.linalg.norm(np.linalg.solve(down.T, ends[1] - ends[0])))
    off, but_first, but_last = (
        _ends_off(columns[part], kept[part])
        for part in (slice(None), slice(1, None), slice(None, -1))
    )
    return MeanRate(
        float(value[-1] - value[0]) / span, math.sqrt(2) * scatter / span, lever * scatter / span,
        terms, rest, used, off[0] and not but_first[0], off[1] and not but_last[1],
    )  # fmt: skip


def _ends_off(columns: Float, value: Float) -> tuple[bool, bool]:
    """Whether the first and the last of `value` (n,) lie far off the curve through all others, by
    the scatter of those: the externally studentised residual (Cook and Weisberg, Residuals and
    Influence in Regression, 1982, section 2.2; from memory)."""
    across = np.linalg.qr(columns)[0]
    rest = value - across @ (across.T @ value)
    free = np.maximum(1 - (across[[0, -1]] ** 2).sum(axis=1), LEAST_FREE)
    own = rest[[0, -1]] ** 2 / free
    others = (float(rest @ rest) - own) / max(len(value) - columns.shape[1] - 1, 1)
    floor = (ROUNDED * float(np.abs(value).max())) ** 2
    first, last = own > ENDS_FAR**2 * np.maximum(others, floor)
    return bool(first), bool(last)
