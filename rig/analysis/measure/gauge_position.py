# SPDX-License-Identifier: MIT
"""Gauge position from its own readings: behind the valve or in front of it.

A gauge that rests near zero is behind the valve (or there is no pressure at all): its resting value
is not base pressure. The pressure it holds while the coil is energised came through the valve, so
the pressure in front was at least that.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rig.analysis.measure.pressure_rise_fall import (
    FALLS,
    NO_CHANGE,
    NO_READINGS,
    NOTES,
    PressureTable,
)
from rig.core.recording import Int64

NEAR_ZERO_KPA = 20.0
"""A gauge that rests below this shows no base pressure (common practice, no source)."""

_NOT_RISING = 1 << NOTES.index(NO_CHANGE) | 1 << NOTES.index(FALLS)


class GaugeSeen(NamedTuple):
    """What the gauge did in some strokes: `rest_kpa` its lowest resting level, `held_kpa` its level
    with the coil energised where it rose (median), both None where not known; `rose` is how many of
    the `of` strokes with readings in both states rose."""

    rest_kpa: float | None = None
    held_kpa: float | None = None
    rose: int = 0
    of: int = 0

    @property
    def near_zero(self) -> bool:
        return self.rest_kpa is not None and self.rest_kpa < NEAR_ZERO_KPA

    @property
    def behind(self) -> bool:
        """Whether it rests near zero and rises with the coil, so that it can only be behind the
        valve."""
        return self.near_zero and self.rose > 0

    @property
    def never_rose(self) -> bool:
        """Whether it rests near zero and rose in no stroke."""
        return self.near_zero and self.rose == 0


def gauge_seen(pressures: PressureTable | None, rows: Int64) -> GaugeSeen:
    """What the gauge did in the strokes `rows` of `pressures`."""
    if pressures is None or not len(rows):
        return GaugeSeen()
    low, high = pressures.columns["low_kpa"][rows], pressures.columns["high_kpa"][rows]
    known = pressures.noted[rows] & (1 << NOTES.index(NO_READINGS)) == 0
    if not known.any():
        return GaugeSeen()
    rises = known & (pressures.noted[rows] & _NOT_RISING == 0)
    rose = int(np.count_nonzero(rises))
    held = float(np.median(high[rises])) if rose else None
    return GaugeSeen(float(low[known].min()), held, rose, int(np.count_nonzero(known)))
