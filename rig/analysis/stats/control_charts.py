# SPDX-License-Identifier: MIT
"""Control charts over the strokes of a run: single values, moving range, moving average,
cumulative sum.

Centre and spread come from the run itself, so a chart says whether the run was steady, not whether
it was good. The limits are those for the run's length: of steady runs, with strokes independent and
normal, at most FALSE_ALARMS break any rule, response and release together. The textbook run rules
(eight on one side and so on) are not used: with all of them 59 of 100 steady runs of 50 strokes
broke one, and the moving average and the cumulative sum see the same shifts.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from rig.analysis.stats.chart_limits import FALSE_ALARMS, widths
from rig.core.recording import Bool, Float, Int64

D2 = 2 / math.sqrt(math.pi)
"""Mean range of two normal values, exact; printed tables round it to 1.128."""
BEYOND = "one stroke beyond its limits"
RANGE = "a step between two strokes beyond the limit of moving ranges"
EWMA = "moving average beyond its limit"
CUSUM_HIGH = "cumulative sum: upward shift"
CUSUM_LOW = "cumulative sum: downward shift"

EWMA_LAMBDA = 0.3
CUSUM_K = 0.5
"""Amount, in sigma, by which the cumulative sum decays per stroke."""


class Signal(NamedTuple):
    """A rule that was broken, and the numbers of the strokes that completed it."""

    rule: str
    strokes: tuple[int, ...]


class Chart(NamedTuple):
    """Limits of single values and moving ranges, of the moving average at its end, and the rules
    broken. `sigma` is the mean moving range / d2; `width` of single values and `ewma_width` of the
    moving average in sigma, as is `cusum_limit`. `false_alarms` is the share of steady runs that
    break a rule of one of their two charts."""

    n: int
    center: float
    sigma: float
    lcl: float
    ucl: float
    mr_center: float
    mr_ucl: float
    ewma_lcl: float
    ewma_ucl: float
    width: float
    ewma_width: float
    cusum_limit: float
    false_alarms: float
    signals: tuple[Signal, ...]


def chart(number: Int64, values: Float, phi: float = 0.0) -> Chart | None:
    """All charts of `values` (n,) with stroke `number` (n,); NaN left out, None with fewer than
    five values.

    `phi`: the correlation of each value with the next (dependence.phi_of, about its own level).
    Steps between correlated values are small, so sigma is their mean over d2 sqrt(1 - phi); the
    average swings wider, by sqrt((1 + phi (1 - lambda)) / (1 - phi (1 - lambda))); the sum uses the
    values with the part carried over from the one before removed (all three from the autocovariance
    of a first-order autoregression; checked against simulation in the tests).

    NIST/SEMATECH e-Handbook 6.3.2.2 (individuals and moving range), 6.3.2.4 (moving average),
    6.3.2.3 (cumulative sum, in tabular form); ISO 7870-2, -4 and -6 contain the same charts. d2 is
    exact, so sigma differs from that of tables with 1.128 by 0.03 %. The widths are not the three
    sigma of those charts but chart_limits.widths.
    """
    known = np.isfinite(values)
    v, numbers = values[known], number[known]
    if len(v) < 5:
        return None
    center, sigma, mr_center = individuals(v)
    sigma /= math.sqrt(1 - phi)
    wide = widths(len(v))
    kept = phi * (1 - EWMA_LAMBDA)
    average, half = ewma(v, center, sigma, width=wide.ewma * math.sqrt((1 + kept) / (1 - kept)))
    signals: list[Signal] = []
    if sigma > 1e-9 * max(1.0, abs(center)):  # equal values break no rule
        fresh = v - center
        fresh[1:] = (fresh[1:] - phi * fresh[:-1]) / math.sqrt(1 - phi * phi)
        high, low = cusum(center + fresh, center, sigma)
        broken: list[tuple[str, Bool]] = [
            (BEYOND, np.abs(v - center) > wide.single * sigma),
            (RANGE, np.append(False, np.abs(np.diff(v)) > wide.moving_range * mr_center)),
            (EWMA, np.abs(average - center) > half),
            (CUSUM_HIGH, high > wide.cusum * sigma),
            (CUSUM_LOW, low > wide.cusum * sigma),
        ]
        signals = [Signal(rule, tuple(numbers[at].tolist())) for rule, at in broken if at.any()]
    reach = wide.single * sigma
    return Chart(
        len(v), center, sigma, center - reach, center + reach, mr_center,
        wide.moving_range * mr_center, center - float(half[-1]), center + float(half[-1]),
        wide.single, wide.ewma, wide.cusum, FALSE_ALARMS, tuple(signals),
    )  # fmt: skip


def individuals(values: Float, d2: float = D2) -> tuple[float, float, float]:
    """Mean, sigma = mean moving range / d2, and the mean moving range of `values` (n,), n >= 2."""
    moving = float(np.abs(np.diff(values)).mean())
    return float(values.mean()), moving / d2, moving


def ewma(
    values: Float, center: float, sigma: float, lam: float = EWMA_LAMBDA, width: float = 3.0
) -> tuple[Float, Float]:
    """Exponentially weighted moving average (n,), started at `center`, and the half width (n,) of
    its limits, which grows to width sigma sqrt(lam / (2 - lam))."""
    found = np.empty(len(values))
    last = center
    for n, value in enumerate(values.tolist()):
        last = lam * value + (1 - lam) * last
        found[n] = last
    grown = 1 - (1 - lam) ** (2 * np.arange(1, len(values) + 1))
    return found, width * sigma * np.sqrt(lam / (2 - lam) * grown)


def cusum(values: Float, target: float, sigma: float, k: float = CUSUM_K) -> tuple[Float, Float]:
    """Upper and lower cumulative sums (n,) about `target`, in the unit of the values; each decays
    by `k` sigma per stroke and never falls below 0."""
    high, low = np.empty(len(values)), np.empty(len(values))
    up = down = 0.0
    for n, away in enumerate((values - target).tolist()):
        up = max(0.0, up + away - k * sigma)
        down = max(0.0, down - away - k * sigma)
        high[n], low[n] = up, down
    return high, low
