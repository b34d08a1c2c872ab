# SPDX-License-Identifier: MIT
"""The two state levels of a waveform that goes between a low and a high state.

IEEE Std 181-2011, 5.2 (clause number from memory): the histogram method splits the occupied bins
into a lower and an upper half and takes a number of each; the endpoint method takes the levels
from stretches that are known to lie in each state.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rig.core.recording import Float

BINS = 100


class StateLevels(NamedTuple):
    """The two levels in the waveform's unit; `method` "histogram" or "endpoint"."""

    low: float
    high: float
    method: str

    @property
    def amplitude(self) -> float:
        """High less low: the base of every percentage."""
        return self.high - self.low

    def at(self, percent: float) -> float:
        """The reference level at `percent` of the amplitude above the low level."""
        return self.low + self.amplitude * percent / 100.0


def histogram_levels(value: Float, bins: int = BINS, take: str = "mode") -> StateLevels | None:
    """Levels of `value` (n,) finite, by the histogram method; None where all values are alike.

    The range from least to largest is cut into `bins`; from the lowest to the highest occupied
    bin they are halved. `take` "mode" gives the centre of the fullest bin of each half (off by up
    to half a bin), "mean" the mean of the values in each half. Raises ValueError for another
    `take`, for no bins to halve, or for values that are not finite.
    """
    if take not in ("mode", "mean"):
        raise ValueError(f'levels are taken as "mode" or "mean", not {take!r}')
    if bins < 2 or not np.isfinite(value).all():
        raise ValueError("the histogram needs at least two bins and finite values")
    if len(value) < 2 or not np.ptp(value) > 0:
        return None
    low, high = float(value.min()), float(value.max())
    place = np.minimum(((value - low) / (high - low) * bins).astype(np.int64), bins - 1)
    counts = np.bincount(place, minlength=bins)
    half = bins // 2  # the first and the last bin are occupied: they hold least and largest
    if take == "mean":
        upper = place >= half
        return StateLevels(float(value[~upper].mean()), float(value[upper].mean()), "histogram")
    width = (high - low) / bins
    lower_bin = int(np.argmax(counts[:half]))
    upper_bin = half + int(np.argmax(counts[half:]))
    return StateLevels(
        low + (lower_bin + 0.5) * width, low + (upper_bin + 0.5) * width, "histogram"
    )


def endpoint_levels(first: Float, last: Float) -> StateLevels | None:
    """Levels from readings known to lie in the two states: the median of `first` and of `last`,
    the lower of the two as the low level; None where either is empty or both are alike."""
    if not len(first) or not len(last):
        return None
    low, high = sorted((float(np.median(first)), float(np.median(last))))
    return StateLevels(low, high, "endpoint") if high > low else None
