# SPDX-License-Identifier: MIT
"""Tests of two sets of values: by ranks, by the distance of their distributions, and of counts.

Computed here and not by scipy.stats, which takes longer to load than a page may take to appear, and
45 MB of a small board; the tests compare against it. p: probability of as much by chance alone,
0 to 1.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from rig.core.recording import Float

EXACT_RANKS, EXACT_DISTANCE = 8, 2_000


def rank_p(one: Float, two: Float) -> float:
    """Two-sided p of Mann and Whitney's rank test, of values (n,) and (m,), NaN left out, neither
    empty.

    Ann. Math. Stat. 18 (1947) 50: exact where one set has at most EXACT_RANKS values and none are
    equal, else by the normal distribution with the correction for ties (Lehmann, Nonparametrics,
    section 1.4; from memory) and for continuity.
    """
    one, two = one[np.isfinite(one)], two[np.isfinite(two)]
    n, m = len(one), len(two)
    _, place, ties = np.unique(np.concatenate((one, two)), return_inverse=True, return_counts=True)
    ranks = (np.cumsum(ties) - (ties - 1) / 2)[place]
    u = float(ranks[:n].sum()) - n * (n + 1) / 2
    u = max(u, n * m - u)
    if min(n, m) <= EXACT_RANKS and len(ties) == n + m:
        ways = _orders(n, m)
        return min(1.0, 2 * int(ways[round(u) :].sum()) / math.comb(n + m, n))
    from scipy.special import ndtr

    total = n + m
    spread = n * m / 12 * (total + 1 - float((ties**3.0 - ties).sum()) / (total * (total - 1)))
    if not spread > 0:
        return 1.0
    return min(1.0, 2 * float(ndtr((n * m / 2 + 0.5 - u) / math.sqrt(spread))))


def _orders(n: int, m: int) -> np.ndarray:
    """Number of orders of n and m values whose rank sum statistic is 0, 1 ... n m: the coefficients
    of the Gaussian binomial, as whole numbers."""
    n, m = min(n, m), max(n, m)
    ways = np.zeros(n * m + 1, object)
    ways[0] = 1
    for k in range(1, n + 1):
        ways[m + k :] = ways[m + k :] - ways[: max(0, len(ways) - m - k)]
        for first in range(k):
            ways[first::k] = np.cumsum(ways[first::k])
    return ways


class Distance(NamedTuple):
    """The largest distance between the shares of two sets that lie below a value, 0 to 1, and the
    probability of as much by chance alone."""

    distance: float
    p: float


def distance(one: Float, two: Float) -> Distance | None:
    """Kolmogorov and Smirnov's distance of two sets (n,), (m,), NaN left out; None where one is
    empty. It sees any difference: of mean, spread, or shape.

    p is exact up to EXACT_DISTANCE values (Hodges, Arkiv foer matematik 3 (1958) 469; from memory),
    else the limit for many.
    """
    one, two = one[np.isfinite(one)], two[np.isfinite(two)]
    n, m = len(one), len(two)
    if not n or not m:
        return None
    both = np.concatenate((one, two))
    below = [np.searchsorted(np.sort(side), both, side="right") for side in (one, two)]
    step = math.gcd(n, m)
    h = int(np.abs(below[0] * (m // step) - below[1] * (n // step)).max())
    apart = h * step / (n * m)
    if not h:
        return Distance(0.0, 1.0)
    if max(n, m) <= EXACT_DISTANCE:
        return Distance(apart, _left_band(n, m, h))
    from scipy.special import kolmogorov

    return Distance(apart, float(kolmogorov(apart * math.sqrt(n * m / (n + m)))))


def _left_band(n: int, m: int, h: int) -> float:
    """Probability that the values of both sets, in order of size, are at least once at a distance
    of h over the least common multiple of n and m. Computed value by value: of the first `d`
    values, `i` are from the first set."""
    step, i_all = math.gcd(n, m), np.arange(n + 1)
    left = np.zeros(n + 1)
    for d in range(1, n + m + 1):
        i = i_all[: d + 1]
        came = (d - i) * left[: d + 1]
        came[1:] += i[1:] * left[: len(i) - 1]
        came /= d
        came[np.abs(i * (m // step) - (d - i) * (n // step)) >= h] = 1.0
        left[: d + 1] = came
    return float(left[n])


def fisher_p(table: tuple[tuple[int, int], tuple[int, int]]) -> float:
    """Two-sided p of Fisher's exact test of a table of counts, in whole numbers throughout.

    Statistical Methods for Research Workers, section 21.02.
    """
    (a, b), (c, d) = table
    row, column, rest = a + b, a + c, c + d
    least, most = max(0, column - rest), min(row, column)
    ways = math.comb(row, least) * math.comb(rest, column - least)
    seen = math.comb(row, a) * math.comb(rest, column - a)
    as_rare = 0
    for k in range(least, most + 1):
        as_rare += ways if ways <= seen else 0
        ways = ways * (row - k) * (column - k) // ((k + 1) * (rest - column + k + 1))
    return as_rare / math.comb(row + rest, column)
