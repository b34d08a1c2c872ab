# SPDX-License-Identifier: MIT
"""Do two gauges, or two rigs, agree? Limits of agreement, and the distance between two sets as
whole distributions."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from rig.analysis.stats.intervals import Interval
from rig.core.recording import Float

SHARE = 0.95


class Agreement(NamedTuple):
    """Result for `n` pairs, second less first: the mean difference `bias` and its interval, the
    standard deviation `sd` of the differences, and the limits of agreement, which contain 95 of 100
    differences, each with its 95 % interval."""

    n: int
    bias: float
    bias_ci95: Interval
    sd: float
    low: float
    low_ci95: Interval
    high: float
    high_ci95: Interval


def limits_of_agreement(first: Float, second: Float) -> Agreement | None:
    """Limits of agreement of pairs (n,), NaN in either left out; None with fewer than three.

    Bland and Altman, Lancet 327 (1986) 307: bias -+ 1.96 sd. The intervals of the limits are exact
    for normal differences (noncentral t: Carkeet, Optom. Vis. Sci. 92 (2015) e71; that paper from
    memory), where the first paper has sd sqrt(3 / n).
    """
    from scipy import special, stats

    apart = second - first
    apart = apart[np.isfinite(apart)]
    n = len(apart)
    if n < 3:
        return None
    bias, sd = float(apart.mean()), float(apart.std(ddof=1))
    z = float(special.ndtri(0.5 + SHARE / 2))
    half = float(special.stdtrit(n - 1, 0.975)) * sd / math.sqrt(n)
    k = [float(stats.nct.ppf(p, n - 1, z * math.sqrt(n))) / math.sqrt(n) for p in (0.025, 0.975)]
    return Agreement(
        n, bias, Interval(bias - half, bias + half), sd,
        bias - z * sd, Interval(bias - k[1] * sd, bias - k[0] * sd),
        bias + z * sd, Interval(bias + k[0] * sd, bias + k[1] * sd),
    )  # fmt: skip
