# SPDX-License-Identifier: MIT
"""Summary figures in plain numpy."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rig.core.recording import Float


class Summary(NamedTuple):
    """`n` numbers: arithmetic mean, sample standard deviation (n - 1), min, median, max.

    None where there are too few numbers: all of them with n = 0, `sd` with n = 1.
    """

    n: int
    mean: float | None
    sd: float | None
    min: float | None
    median: float | None
    max: float | None


def summarise(values: Float) -> Summary:
    """Summary of `values` (n,); NaN means "no number" and is left out.

    The mean is corrected by the mean of the residuals and the sum of squares is about it (two
    passes), so that a small spread on a large value keeps its digits.
    """
    known = values[np.isfinite(values)]
    n = len(known)
    if n == 0:
        return Summary(0, None, None, None, None, None)
    mean = float(known.mean())
    mean += float((known - mean).mean())
    sd = float(np.sqrt(((known - mean) ** 2).sum() / (n - 1))) if n > 1 else None
    return Summary(n, mean, sd, float(known.min()), float(np.median(known)), float(known.max()))


def quantile(values: Float, fraction: float) -> float:
    """Quantile by linear interpolation between order statistics, place (n - 1) * fraction.

    Hyndman and Fan, American Statistician 50 (1996), definition 7. NaN is left out.
    """
    return float(np.quantile(values[np.isfinite(values)], fraction))
