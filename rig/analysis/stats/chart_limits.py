# SPDX-License-Identifier: MIT
"""Width of control limits for a run of a given length, so that a steady run seldom breaks any.

Textbook limits are made for a process watched without end: three sigma and a cumulative sum of five
give a false alarm about every 370 and 465 values, each rule separately. A run has an end, and its
centre and sigma are estimated from it. `tests/studies/chart_limits.py` finds the widths.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

FALSE_ALARMS = 0.05
"""Maximum share of steady runs (strokes independent and normal) that break a rule of one of the two
charts, response and release."""

TABLE = np.array((
    # strokes, single value, moving range, moving average, cumulative sum
    (5, 2.847, 3.025, 2.788, 2.936),
    (6, 3.063, 3.197, 3.032, 3.465),
    (7, 3.155, 3.339, 3.131, 3.809),
    (8, 3.193, 3.445, 3.191, 4.040),
    (10, 3.280, 3.652, 3.278, 4.567),
    (12, 3.362, 3.801, 3.336, 4.870),
    (15, 3.478, 3.981, 3.487, 5.359),
    (20, 3.560, 4.164, 3.552, 5.769),
    (30, 3.685, 4.401, 3.681, 6.363),
    (50, 3.817, 4.657, 3.849, 7.142),
    (80, 3.955, 4.868, 3.941, 7.749),
    (120, 4.052, 4.991, 4.054, 8.264),
    (200, 4.164, 5.168, 4.161, 8.883),
    (500, 4.354, 5.441, 4.351, 9.948),
    (1000, 4.530, 5.671, 4.498, 10.766),
    (3000, 4.742, 5.924, 4.743, 11.966),
), np.float64)  # fmt: skip
"""Single value, average and sum in sigma, the range in mean ranges. Each rule has the same share of
false alarms, one chart of all four 2.4 %."""


class Widths(NamedTuple):
    """Half width of single values, limit of moving ranges (in mean ranges), half width of the
    moving average, limit of the cumulative sum; in sigma."""

    single: float
    moving_range: float
    ewma: float
    cusum: float


def widths(n: int) -> Widths:
    """Widths for runs of `n` strokes (5 or more): linear between the table's rows over the
    logarithm of n, and extrapolated from the last two rows beyond its end, which is slightly too
    wide."""
    at, of = np.log(TABLE[:, 0]), TABLE[:, 1:]
    x = float(np.log(n))
    place = min(max(int(np.searchsorted(at, x)), 1), len(at) - 1)
    part = (x - at[place - 1]) / (at[place] - at[place - 1])
    single, moving, average, cumulative = (
        of[place - 1] + part * (of[place] - of[place - 1])
    ).tolist()
    return Widths(single, moving, average, cumulative)
