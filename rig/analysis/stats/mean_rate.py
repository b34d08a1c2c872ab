# SPDX-License-Identifier: MIT
"""How fast a quantity changes on the whole, where it does not change along a straight line.

A curve of least squares (Legendre polynomials, so that its terms hardly depend on one another) goes
through all readings. The mean rate is the curve's difference between the first and the last
instant over their distance; it needs no model of what makes the curve.
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
LAGS, LEAST_SECOND = (1, 2, 4), 8
"""Distances of second differences, and how many of them tell a scatter."""


def about_neighbours(value: Float) -> float:
    """Standard deviation of one reading about a line through its neighbours: the second differences
    of `value` (n,), which a steady change leaves at 0, by their median so that turns and steps do
    not count; the largest over some distances, since neighbours may resemble one another. For
    independent readings of standard deviation s a second difference has s sqrt(6). 0 with too
    few."""
    found = 0.0
    for lag in LAGS:
        second = value[2 * lag :] - 2 * value[lag:-lag] + value[: -2 * lag]
        if len(second) >= LEAST_SECOND:
            found = max(found, MAD_TO_SD * float(np.median(np.abs(second))) / math.sqrt(6))
    return found


class MeanRate(NamedTuple):
    """`rate` from the first to the last instant, `error` its standard error for independent
    readings, of a curve of `terms` terms; `rest` (k,) what the readings that were used, `used`
    (n,), lie off it."""

    rate: float
    error: float
    terms: int
    rest: Float
    used: Bool


def mean_rate(t: Float, value: Float) -> MeanRate | None:
    """Of `value` (n,) over `t`, in order of time; None with too few readings for a curve.

    Many terms on purpose: what a smooth curve leaves out falls at its ends, where the rate is read,
    and terms chosen by the noise (an information criterion) leave too much of it: the interval then
    covers 85 %. Lone readings far off the curve are left out.
    """
    terms = min(MOST_TERMS, len(t) // READINGS_A_TERM)
    if terms < LEAST_TERMS or not np.ptp(t) > 0:
        return None
    x, span = 2 * (t - t[0]) / (t[-1] - t[0]) - 1, float(t[-1] - t[0])
    columns = np.asarray(np.polynomial.legendre.legvander(x, terms - 1), np.float64)
    used = np.ones(len(t), np.bool_)
    rest = value - columns @ np.linalg.lstsq(columns, value, rcond=None)[0]
    far = np.abs(rest) > far_off(rest, value)
    lone = far[1:-1] & ~far[:-2] & ~far[2:]  # several in a row are the pressure itself
    if len(used) - lone.sum() >= 2 * terms:
        used[1:-1] = ~lone
    columns = columns[used]
    inverse = np.linalg.inv(columns.T @ columns)
    coefficients = inverse @ (columns.T @ value[used])
    rest = value[used] - columns @ coefficients
    ends = np.polynomial.legendre.legvander(np.array([-1.0, 1.0]), terms - 1)
    change = ends[1] - ends[0]
    variance = float(rest @ rest) / (len(rest) - terms) * float(change @ inverse @ change)
    return MeanRate(float(change @ coefficients) / span, variance**0.5 / span, terms, rest, used)
