# SPDX-License-Identifier: MIT
"""Missed strokes as a share of all: intervals, bounds, and what a run without a miss shows."""

from __future__ import annotations

import math

from rig.analysis.stats.intervals import Interval


def clopper_pearson(n: int, of: int, confidence: float = 0.95) -> Interval:
    """Exact interval of a share seen as `n` of `of`: coverage is at least as stated. Clopper and
    Pearson, Biometrika 26 (1934) 404. None for of = 0."""
    from scipy import special

    if _nothing(n, of):
        return Interval(None, None)
    tail = (1 - confidence) / 2
    low = float(special.betaincinv(n, of - n + 1, tail)) if n > 0 else 0.0
    high = float(special.betaincinv(n + 1, of - n, 1 - tail)) if n < of else 1.0
    return Interval(low, high)


def wilson(n: int, of: int, confidence: float = 0.95) -> Interval:
    """Score interval: near the stated confidence on average, sometimes below.

    Wilson, J. Am. Stat. Assoc. 22 (1927) 209; NIST/SEMATECH e-Handbook 7.2.4.1. None for of = 0.
    """
    from scipy import special

    if _nothing(n, of):
        return Interval(None, None)
    z = float(special.ndtri(0.5 + confidence / 2))
    share = n / of
    middle = share + z * z / (2 * of)
    half = z * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    scale = 1 + z * z / of
    return Interval(max(0.0, (middle - half) / scale), min(1.0, (middle + half) / scale))


def upper_bound(n: int, of: int, confidence: float = 0.95) -> float | None:
    """One-sided exact upper bound of a share: with 0 of 59, 0.0495 at 95 %. None for of = 0.

    Clopper and Pearson's upper end with all the risk on one side; for n = 0 it is
    1 - (1 - confidence)^(1/of).
    """
    from scipy import special

    if _nothing(n, of):
        return None
    return float(special.betaincinv(n + 1, of - n, confidence)) if n < of else 1.0


def _nothing(n: int, of: int) -> bool:
    if not 0 <= n <= of:
        raise ValueError(f"{n} of {of} is no share")
    return of == 0


def reliability_words(missed: int, of: int, confidence: float = 0.95) -> str:
    """ "59 of 59: at least 95 % reliable with 95 % confidence"; empty without strokes.

    Rounded down. It applies to strokes like these: same valve, same conditions.
    """
    bound = upper_bound(missed, of, confidence)
    if bound is None:
        return ""
    share = 100 * (1 - bound)
    digits = 0 if share < 99 else 1 if share < 99.9 else 2
    # the smallest step up keeps 95 % from becoming 94.99999 % in binary
    shown = math.floor(share * 10**digits + 1e-9) / 10**digits
    return (
        f"{of - missed} of {of}: at least {shown:.{digits}f} % reliable with "
        f"{100 * confidence:g} % confidence"
    )
