# SPDX-License-Identifier: MIT
"""Strokes that stand apart. They are flagged, never deleted: every figure includes them."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from rig.analysis.stats.summary import quantile, summarise
from rig.core.recording import Float, Int64


class Grubbs(NamedTuple):
    """The value farthest from the mean, in standard deviations (`g`), the value that chance alone
    would exceed with 5 % (`critical`), and its index in the array where it exceeds that, else
    None."""

    g: float
    critical: float
    place: int | None


class Fences(NamedTuple):
    """Tukey's fences and the indices of the values beyond them. `slow` is how many lie above the
    upper outer fence: an occasional very slow stroke, as from a sticking spool."""

    inner: tuple[float, float]
    outer: tuple[float, float]
    beyond_inner: tuple[int, ...]
    beyond_outer: tuple[int, ...]
    slow: int


def grubbs_critical(n: int, alpha: float = 0.05, *, two_sided: bool = True) -> float:
    """Critical value of Grubbs' test; n at least 3 (ValueError).

    NIST/SEMATECH e-Handbook 1.3.5.17.1; Grubbs, Technometrics 11 (1969) 1.
    """
    from scipy import special

    if n < 3:
        raise ValueError("Grubbs' test needs three values or more")
    tail = alpha / (2 * n) if two_sided else alpha / n
    t = float(special.stdtrit(n - 2, 1 - tail))
    return (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))


def grubbs(values: Float, alpha: float = 0.05) -> Grubbs | None:
    """Grubbs' two-sided test for one outlier in normal values (n,); NaN is no value.

    None with fewer than three values or all alike.
    """
    found = summarise(values)
    if found.n < 3 or found.mean is None or not found.sd:
        return None
    away = np.abs(np.where(np.isfinite(values), values, found.mean) - found.mean)
    place = int(np.argmax(away))
    g, critical = float(away[place]) / found.sd, grubbs_critical(found.n, alpha)
    return Grubbs(g, critical, place if g > critical else None)


def fences(values: Float) -> Fences | None:
    """Fences at 1.5 (inner) and 3 (outer) interquartile ranges beyond the quartiles.

    NIST/SEMATECH e-Handbook 7.1.6, with the quartiles of summary.quantile (place (n - 1) p; the
    handbook uses (n + 1) p, which lies slightly farther out). None with fewer than four values.
    """
    if np.count_nonzero(np.isfinite(values)) < 4:
        return None
    q1, q3 = quantile(values, 0.25), quantile(values, 0.75)
    inner = fence(q1, q3, 1.5)
    outer = fence(q1, q3, 3.0)
    return Fences(
        inner, outer, _beyond(values, inner), _beyond(values, outer),
        int(np.count_nonzero(values > outer[1])),
    )  # fmt: skip


def fence(q1: float, q3: float, reach: float) -> tuple[float, float]:
    """`reach` interquartile ranges beyond the quartiles."""
    return q1 - reach * (q3 - q1), q3 + reach * (q3 - q1)


def _beyond(values: Float, ends: tuple[float, float]) -> tuple[int, ...]:
    places: Int64 = np.flatnonzero((values < ends[0]) | (values > ends[1]))
    return tuple(places.tolist())
