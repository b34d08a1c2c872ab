# SPDX-License-Identifier: MIT
"""A batch of runs side by side: ranked with intervals, and the one that stands apart."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from rig.analysis.compare.two_samples import Bounds, Group, around, group
from rig.analysis.stats.intervals import MAD_TO_SD
from rig.core.recording import Float

APART = 3.5
"""Robust standard deviations from the median of the others' means (Iglewicz and Hoaglin, How to
Detect and Handle Outliers, ASQC 1993)."""


class Place(NamedTuple):
    """One run of the batch: `place` in the order given, from 0; `rank` 1 for the smallest mean;
    `ci95` is simultaneous over the batch (Bonferroni); `away` = its mean less the median of the
    others' means; `outlier` flags it, nothing is left out."""

    place: int
    rank: int
    group: Group
    ci95: Bounds
    away: float
    outlier: bool


class Batch(NamedTuple):
    """Places by rank, and the probability of such differences if all runs were alike
    (Kruskal-Wallis rank test; None where it cannot be worked out)."""

    places: tuple[Place, ...]
    p_all_alike: float | None


def batch(values: Sequence[Float], margin: float | None = None) -> Batch | None:
    """Rank at least three runs by the mean of `values` (each (n,), NaN left out).

    A run is flagged when its mean lies more than APART robust sd from the median of the other runs'
    means, its simultaneous interval does not contain that median, and (with a `margin`) it is
    farther off than the margin. The robust sd is that of the other runs' means, and no smaller than
    the typical standard error of a mean. Runs without two numbers are left out; None with fewer
    than three left.
    """
    from scipy import stats

    known = [(n, v[np.isfinite(v)]) for n, v in enumerate(values)]
    groups = [(n, v, found) for n, v in known if (found := group(v)) is not None]
    k = len(groups)
    if k < 3:
        return None
    means = np.array([found.mean for _, _, found in groups])
    errors = np.array([found.sd / found.n**0.5 for _, _, found in groups])
    everything = np.concatenate([v for _, v, _ in groups])
    alike = None
    if np.ptp(everything) > 0:
        alike = float(stats.kruskal(*(v for _, v, _ in groups)).pvalue)
    places = []
    for rank, at in enumerate(np.argsort(means, kind="stable").tolist(), 1):
        place, _, found = groups[at]
        others = np.delete(means, at)
        middle = float(np.median(others))
        spread = MAD_TO_SD * float(np.median(np.abs(others - middle)))
        ci = around(found.mean, float(errors[at]), found.n - 1, 1 - 0.05 / k)
        away = found.mean - middle
        outlier = (
            abs(away) > APART * max(spread, float(np.median(errors)))
            and not ci.low <= middle <= ci.high
            and (margin is None or abs(away) > margin)
        )
        places.append(Place(place, rank, found, ci, away, outlier))
    return Batch(tuple(places), alike)
