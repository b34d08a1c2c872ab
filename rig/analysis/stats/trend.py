# SPDX-License-Identifier: MIT
"""Drift over the strokes of a run: a trend without assuming normal values, and jumps in level."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from rig.analysis.stats.dependence import inflation, phi_of
from rig.core.recording import Float, Int64

LARGEST_N = 700
"""With more values, at most this many equal groups of consecutive strokes are formed, each
represented by its median; strokes left over at the end are not used."""
EXACT_N = 10
"""Up to this, without ties, the exact distribution of S is used; above, the normal one."""
SHORTEST_LEVEL = 5
"""Fewest strokes on either side of a change of level."""
MOST_CHANGES = 5
CHANGE_ALPHA = 0.01


class Trend(NamedTuple):
    """Mann-Kendall test and Sen's slope. `s` is Kendall's S, `tau` = S over all pairs, `p` the
    two-sided probability of such an S without any trend; `slope` per stroke with its 95 % interval,
    `change` = slope times the strokes from first to last. `grouped` is the number of strokes in
    each point (1: every stroke by itself). `direction`: "rising", "falling", "none" (p above
    0.05)."""

    n: int
    grouped: int
    s: float
    tau: float
    p: float
    slope: float
    slope_low: float
    slope_high: float
    change: float
    direction: str


class Change(NamedTuple):
    """A change of level: `number` is the first stroke of the new level, `before` and `after` the
    medians of the strokes between this and the neighbouring changes, `p` of the test."""

    number: int
    before: float
    after: float
    p: float


def trend(
    number: Int64, values: Float, alpha: float = 0.05, *, ordered: bool = True
) -> Trend | None:
    """Trend of `values` (n,) over the stroke `number` (n,), increasing; NaN is left out. `ordered`
    False: values are assumed independent.

    Mann, Econometrica 13 (1945) 245; Kendall, Rank Correlation Methods (variance with ties,
    continuity correction); slope and its interval: Sen, J. Am. Stat. Assoc. 63 (1968) 1379. The
    interval and p allow for strokes that resemble the one before them: the variance of S is that of
    independent values times the inflation of the residuals about the slope (Yue and Wang, Water
    Resour. Manag. 18 (2004) 201; from memory). None with fewer than four values.
    """
    from scipy import special

    known = np.isfinite(values)
    x, v = number[known].astype(float), values[known]
    if len(v) < 4:
        return None
    span = float(x[-1] - x[0])
    grouped = -(-len(v) // LARGEST_N)
    if grouped > 1:
        whole = len(v) // grouped * grouped  # a last, shorter group is left out
        x = x[:whole].reshape(-1, grouped).mean(axis=1)
        v = np.median(v[:whole].reshape(-1, grouped), axis=1)
    n = len(v)
    rise, slopes = _pairs(x, v)
    s = float(np.sign(rise).sum())
    ties = np.unique(v, return_counts=True)[1]
    variance = n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())
    residual = v - float(np.median(slopes)) * x
    factor = inflation(phi_of(residual), n) if ordered else 1.0
    sd = math.sqrt(variance / 18 * factor)
    if n <= EXACT_N and ties.max() == 1 and factor == 1:
        p = _exact_p(n, round(s))
    else:
        p = math.erfc(max(0.0, abs(s) - 1) / sd / math.sqrt(2)) if sd > 0 else 1.0
    pairs = len(slopes)
    reach = float(special.ndtri(1 - alpha / 2)) * sd
    # ranks of the interval's ends, from 0
    high = min(round((pairs + reach) / 2), pairs - 1)
    low = max(round((pairs - reach) / 2) - 1, 0)
    middle = (pairs - 1) // 2, pairs // 2
    ranked = np.partition(slopes, sorted({low, high, *middle}))
    slope = float(ranked[middle[0]] + ranked[middle[1]]) / 2
    way = "rising" if s > 0 else "falling"
    return Trend(
        int(known.sum()), grouped, s, s / pairs, p, slope, float(ranked[low]),
        float(ranked[high]), slope * span, way if p <= alpha else "none",
    )  # fmt: skip


def _pairs(x: Float, v: Float) -> tuple[Float, Float]:
    """Rise and slope from each value to each later one, lag by lag."""
    n = len(v)
    rise, run = np.empty(n * (n - 1) // 2), np.empty(n * (n - 1) // 2)
    at = 0
    for lag in range(1, n):
        np.subtract(v[lag:], v[:-lag], out=rise[at : at + n - lag])
        np.subtract(x[lag:], x[:-lag], out=run[at : at + n - lag])
        at += n - lag
    return rise, np.divide(rise, run, out=run)


def _exact_p(n: int, s: int) -> float:
    """P(|S| at least this) over all n! orders: inversions counted by convolution (Kendall)."""
    ways = np.ones(1)
    for k in range(2, n + 1):
        ways = np.convolve(ways, np.ones(k))
    pairs = n * (n - 1) // 2
    values = pairs - 2 * np.arange(pairs + 1)
    return min(1.0, float(ways[np.abs(values) >= abs(s)].sum() / ways.sum()))


def changes(
    number: Int64, values: Float, alpha: float = CHANGE_ALPHA, *, ordered: bool = True
) -> tuple[Change, ...]:
    """Where the level of `values` (n,) changes, in order; at most MOST_CHANGES.

    Pettitt's rank test (Appl. Stat. 28 (1979) 126), p = 2 exp(-6 K^2 / (n^3 + n^2)), which is
    slightly conservative, applied again to both sides of each change found (binary segmentation).
    K^2 is divided by the inflation of the residuals about both levels, so that correlated strokes
    are not a change (rig.analysis.stats.dependence). A steady drift is also found as a change: read
    it together with the trend.
    """
    known = np.flatnonzero(np.isfinite(values))
    v = values[known]
    cuts: dict[int, float] = {}
    spans = [(0, len(v))]
    while spans and len(cuts) < MOST_CHANGES:
        low, high = spans.pop(0)
        place, p = pettitt(v[low:high], ordered=ordered)
        if place is None or p > alpha:
            continue
        cuts[low + place] = p
        spans += [(low, low + place), (low + place, high)]
    places = sorted(cuts)
    ends = [0, *places, len(v)]
    return tuple(
        Change(
            int(number[known[place]]),
            float(np.median(v[ends[n] : place])),
            float(np.median(v[place : ends[n + 2]])),
            cuts[place],
        )
        for n, place in enumerate(places)
    )


def pettitt(values: Float, *, ordered: bool = True) -> tuple[int | None, float]:
    """Index of the first value of the new level, and p; None where there are too few values.

    K is the largest |2 (sum of the first t ranks) - t (n + 1)|, tied values sharing their ranks.
    Both levels are at least SHORTEST_LEVEL long.
    """
    n = len(values)
    if n < 2 * SHORTEST_LEVEL:
        return None, 1.0
    _, group, count = np.unique(values, return_inverse=True, return_counts=True)
    rank = (np.cumsum(count) - (count - 1) / 2)[group]
    u = np.abs(2 * np.cumsum(rank) - np.arange(1, n + 1) * (n + 1))
    inside = u[SHORTEST_LEVEL - 1 : n - SHORTEST_LEVEL]
    place = int(np.argmax(inside)) + SHORTEST_LEVEL
    k = float(inside.max())
    residual = values - np.where(
        np.arange(n) < place, np.median(values[:place]), np.median(values[place:])
    )
    k2 = k * k / (inflation(phi_of(residual), n) if ordered else 1.0)
    return place, min(1.0, 2 * math.exp(-6 * k2 / (n**3 + n**2)))
