# SPDX-License-Identifier: MIT
"""Tolerance intervals: what a stated share of all future strokes stays within, with confidence."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable

import numpy as np

from rig.analysis.stats.dependence import Dependence
from rig.analysis.stats.intervals import Interval
from rig.analysis.stats.summary import summarise
from rig.core.recording import Float

REACH = 8.5
"""Standard errors of the mean to integrate over: the rest is below 1e-16."""
NODES = 80
LARGEST_N = 10_000
"""Above it the factors' large-sample forms are used, accurate to four digits there."""


@functools.lru_cache(maxsize=256)
def one_sided_factor(n: int, coverage: float = 0.95, confidence: float = 0.95) -> float:
    """Exact k: mean + k sd lies above a share `coverage` of a normal population with
    `confidence`. n values, at least 2 (ValueError).

    ISO 16269-6:2014, annex; k = noncentral t quantile / sqrt(n), with noncentrality
    z_coverage sqrt(n) and n - 1 degrees of freedom.
    """
    from scipy import special

    _check(n, coverage, confidence)
    root, z = math.sqrt(n), float(special.ndtri(coverage))
    if n > LARGEST_N:
        # sd of the bound for large n: sqrt(1/n + z^2 / 2n)
        return z + float(special.ndtri(confidence)) * math.sqrt((1 + z * z / 2) / n)
    return float(special.nctdtrit(n - 1, z * root, confidence)) / root


@functools.lru_cache(maxsize=256)
def two_sided_factor(n: int, coverage: float = 0.95, confidence: float = 0.95) -> float:
    """Exact k: mean -+ k sd contains a share `coverage` of a normal population with `confidence`.

    n values, at least 2 (ValueError). ISO 16269-6:2014, annex; Wald and Wolfowitz, Ann. Math. Stat.
    17 (1946) 208, integrated over the distribution of the mean without approximation.
    """
    from scipy import special

    _check(n, coverage, confidence)
    dof = n - 1
    if n > LARGEST_N:  # Howe, J. Am. Stat. Assoc. 64 (1969) 610
        spread = math.sqrt(dof * (1 + 1 / n) / float(special.chdtri(dof, confidence)))
        return float(special.ndtri(0.5 + coverage / 2)) * spread
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    u = REACH / 2 * (nodes + 1)
    density = REACH / 2 * weights * np.sqrt(2 / np.pi) * np.exp(-u * u / 2)
    half = _half_width(u / math.sqrt(n), coverage)

    def holds(k: float) -> float:
        return float(density @ special.chdtrc(dof, dof * (half / k) ** 2))

    low, high = float(special.ndtri(0.5 + coverage / 2)) / 2, 4.0
    while holds(high) < confidence:
        low, high = high, 2 * high
    for _ in range(80):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if holds(middle) < confidence else (low, middle)
        if high / low - 1 < 1e-13:
            break
    return math.sqrt(low * high)


def _half_width(off_centre: Float, coverage: float) -> Float:
    """Half width r of the interval about each `off_centre` that contains `coverage` of a standard
    normal: Phi(x + r) - Phi(x - r) = coverage."""
    from scipy import special

    r = float(special.ndtri(0.5 + coverage / 2)) + off_centre
    for _ in range(60):
        inside = special.ndtr(off_centre + r) - special.ndtr(off_centre - r)
        slope = np.exp(-((off_centre + r) ** 2) / 2) + np.exp(-((off_centre - r) ** 2) / 2)
        step = (inside - coverage) / (slope / math.sqrt(2 * math.pi))
        r = r - step
        if np.abs(step).max() < 1e-14:
            break
    return np.asarray(r, float)


def _check(n: int, coverage: float, confidence: float) -> None:
    if n < 2 or not (0 < coverage < 1 and 0 < confidence < 1):
        raise ValueError("a tolerance factor needs two values or more, and shares between 0 and 1")


def two_sided(
    values: Float, coverage: float = 0.95, confidence: float = 0.95,
    known: Dependence | None = None,
) -> Interval:  # fmt: skip
    """Normal tolerance interval of `values` (n,), NaN left out; None with fewer than two. With
    `known`, dependent values are counted at their effective number."""
    return _about_the_mean(values, two_sided_factor, coverage, confidence, known)


def one_sided(
    values: Float, coverage: float = 0.95, confidence: float = 0.95,
    known: Dependence | None = None,
) -> Interval:  # fmt: skip
    """The lower and the upper one-sided normal tolerance bound, each with `confidence` by
    itself."""
    return _about_the_mean(values, one_sided_factor, coverage, confidence, known)


def _about_the_mean(
    values: Float, factor: Callable[[int, float, float], float], coverage: float,
    confidence: float, known: Dependence | None,
) -> Interval:  # fmt: skip
    found = summarise(values)
    if found.mean is None or found.sd is None:
        return Interval(None, None)
    n, sd = (found.n, found.sd) if known is None else (known.whole, known.sd)
    reach = factor(n, coverage, confidence) * sd
    return Interval(found.mean - reach, found.mean + reach)
