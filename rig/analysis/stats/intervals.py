# SPDX-License-Identifier: MIT
"""Intervals around summary figures, and the robust pair.

All take `values` (n,) in one unit, leave NaN out, and give results in that unit.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from rig.analysis.stats.dependence import Dependence
from rig.analysis.stats.summary import quantile, summarise
from rig.core.recording import Float

MAD_TO_SD = 1.482602218505602
"""1 / normal quantile of 0.75: makes the median absolute deviation estimate a normal sd."""


class Interval(NamedTuple):
    """Two ends; None where the data do not bound that side."""

    low: float | None
    high: float | None


class Percentile(NamedTuple):
    """A percentile and its distribution-free interval."""

    value: float
    ci95: Interval


class Robust(NamedTuple):
    """Median and scaled median absolute deviation (an sd that a few wild values do not move)."""

    median: float
    scaled_mad: float


def mean_interval(values: Float, confidence: float = 0.95) -> Interval:
    """Student's t interval of the mean; None with fewer than two values.

    NIST/SEMATECH e-Handbook of Statistical Methods 1.3.5.2. Holds for independent values.
    """
    from scipy import special

    found = summarise(values)
    if found.mean is None or found.sd is None:
        return Interval(None, None)
    t = float(special.stdtrit(found.n - 1, 0.5 + confidence / 2))
    half = t * found.sd / math.sqrt(found.n)
    return Interval(found.mean - half, found.mean + half)


def sd_interval(
    values: Float, confidence: float = 0.95, known: Dependence | None = None
) -> Interval:
    """Chi-square interval of the standard deviation of normal values; None with fewer than two.
    With `known`, the degrees of freedom follow the effective number of values.

    NIST/SEMATECH e-Handbook 1.3.5.8 (the test inverted).
    """
    from scipy import special

    found = summarise(values)
    if found.sd is None:
        return Interval(None, None)
    sd, n = (found.sd, found.n) if known is None else (known.sd, known.whole)
    dof, tail = n - 1, (1 - confidence) / 2
    low = sd * math.sqrt(dof / float(special.chdtri(dof, tail)))
    high = sd * math.sqrt(dof / float(special.chdtri(dof, 1 - tail)))
    return Interval(low, high)


def percentile_ranks(
    n: int, fraction: float, confidence: float = 0.95, worth: int | None = None
) -> tuple[int | None, int | None]:
    """The order statistics (from 1) that enclose a percentile with at least this confidence.

    `worth` is the effective number of independent values among the `n`, where they depend on one
    another: ranks are found for that number and placed at the same share of `n`, outwards. That is
    conservative, since whether a value lies below a percentile is less correlated with its
    neighbour than the value itself. The number of values below the percentile is binomial, whatever
    the distribution: David and Nagaraja, Order Statistics, 3rd ed., section 7.1. Equal tails. None
    where even the smallest or largest value is not far enough out.
    """
    from scipy import special

    tail, of = (1 - confidence) / 2, n
    n = n if worth is None else min(worth, n)
    # below[k] = P(at most k values lie below the percentile)
    below = np.asarray(special.bdtr(np.arange(n), n, fraction), float)
    lows = np.flatnonzero(below <= tail)
    highs = np.flatnonzero(1 - below <= tail)
    low = (int(lows[-1]) + 1) * of // n if len(lows) else None
    high = of - (n - int(highs[0]) - 1) * of // n if len(highs) else None
    return low, high


def percentile(
    values: Float, fraction: float, confidence: float = 0.95, worth: int | None = None
) -> Percentile | None:
    """The percentile (Hyndman and Fan's definition 7, see summary.quantile) and its
    distribution-free interval; None without values. `worth` see percentile_ranks."""
    known = np.sort(values[np.isfinite(values)])
    if not len(known):
        return None
    low, high = percentile_ranks(len(known), fraction, confidence, worth)
    return Percentile(
        quantile(known, fraction),
        Interval(
            None if low is None else float(known[low - 1]),
            None if high is None else float(known[high - 1]),
        ),
    )


def robust_pair(values: Float) -> Robust | None:
    """Median and scaled median absolute deviation; None without values.

    Hampel, J. Am. Stat. Assoc. 69 (1974) 383; the factor makes it the sd of normal values.
    """
    known = values[np.isfinite(values)]
    if not len(known):
        return None
    median = float(np.median(known))
    return Robust(median, MAD_TO_SD * float(np.median(np.abs(known - median))))
