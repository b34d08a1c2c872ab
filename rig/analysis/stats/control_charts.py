# SPDX-License-Identifier: MIT
"""Control charts over the strokes of a run: single values, moving average, cumulative sum.

Centre and spread come from the run itself, so a chart says whether the run was steady, not
whether it was good. A signal is a reason to look, no verdict: with all rules at once a steady run
of 50 strokes shows one now and then.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from rig.core.recording import Bool, Float, Int64

D2 = 2 / math.sqrt(math.pi)
"""Mean range of two normal values, exact; printed tables round it to 1.128."""
D4 = 1 + 3 * math.sqrt(2 - D2 * D2) / D2
"""Upper limit of a moving range of two over its mean: 3.267."""

BEYOND_3 = "one stroke beyond three sigma"
TWO_OF_3 = "two of three beyond two sigma, same side"
FOUR_OF_5 = "four of five beyond one sigma, same side"
EIGHT = "eight in a row on one side of the mean"
SIX = "six in a row rising or falling"
FOURTEEN = "fourteen in a row alternating"
RANGE = "a step between two strokes beyond the limit of moving ranges"
EWMA = "moving average beyond its limit"
CUSUM_HIGH = "cumulative sum: upward shift"
CUSUM_LOW = "cumulative sum: downward shift"

EWMA_LAMBDA = 0.3
EWMA_WIDTH = 3.0
CUSUM_K = 0.5
CUSUM_H = 5.0
"""In sigma: a shift of one sigma is seen after about ten strokes (Montgomery, Introduction to
Statistical Quality Control; from memory)."""


class Signal(NamedTuple):
    """A rule that was broken and the numbers of the strokes at which it was complete."""

    rule: str
    strokes: tuple[int, ...]


class Chart(NamedTuple):
    """Limits of single values and moving ranges, of the moving average at its end, and what
    broke a rule. `sigma` is the mean moving range / d2."""

    n: int
    center: float
    sigma: float
    lcl: float
    ucl: float
    mr_center: float
    mr_ucl: float
    ewma_lcl: float
    ewma_ucl: float
    signals: tuple[Signal, ...]


def chart(number: Int64, values: Float) -> Chart | None:
    """All charts of `values` (n,) with stroke `number` (n,); NaN left out, None with fewer than
    five values.

    NIST/SEMATECH e-Handbook 6.3.2.2 (individuals and moving range), 6.3.2.4 (moving average),
    6.3.2.3 (cumulative sum, in tabular form), 6.3.2 (run rules); ISO 7870-2, -4 and -6 hold the
    same charts. d2 is exact, so the limits differ from tables with 1.128 by 0.03 % of their width.
    """
    known = np.isfinite(values)
    v, numbers = values[known], number[known]
    if len(v) < 5:
        return None
    center, sigma, mr_center = individuals(v)
    average, half = ewma(v, center, sigma)
    signals: list[Signal] = []
    if sigma > 1e-9 * max(1.0, abs(center)):  # equal values break no rule
        z = (v - center) / sigma
        high, low = cusum(v, center, sigma)
        broken: list[tuple[str, Bool]] = [(rule, test(z)) for rule, test in RULES]
        broken += [
            (RANGE, np.append(False, np.abs(np.diff(v)) > D4 * mr_center)),
            (EWMA, np.abs(average - center) > half),
            (CUSUM_HIGH, high > CUSUM_H * sigma),
            (CUSUM_LOW, low > CUSUM_H * sigma),
        ]
        signals = [Signal(rule, tuple(numbers[at].tolist())) for rule, at in broken if at.any()]
    return Chart(
        len(v), center, sigma, center - 3 * sigma, center + 3 * sigma, mr_center, D4 * mr_center,
        center - float(half[-1]), center + float(half[-1]), tuple(signals),
    )  # fmt: skip


def individuals(values: Float, d2: float = D2) -> tuple[float, float, float]:
    """Mean, sigma = mean moving range / d2, and the mean moving range of `values` (n,), n >= 2."""
    moving = float(np.abs(np.diff(values)).mean())
    return float(values.mean()), moving / d2, moving


def ewma(
    values: Float, center: float, sigma: float, lam: float = EWMA_LAMBDA, width: float = EWMA_WIDTH
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
    """Upper and lower cumulative sums (n,) about `target`, in the unit of the values; each
    forgets `k` sigma a stroke and never falls below 0."""
    high, low = np.empty(len(values)), np.empty(len(values))
    up = down = 0.0
    for n, away in enumerate((values - target).tolist()):
        up = max(0.0, up + away - k * sigma)
        down = max(0.0, down - away - k * sigma)
        high[n], low[n] = up, down
    return high, low


def _several(of: int, need: int, sigmas: float) -> Callable[[Float], Bool]:
    """`need` of the last `of` lie beyond so many sigma on one side, this one among them."""

    def test(z: Float) -> Bool:
        found = np.zeros(len(z), np.bool_)
        for side in (z > sigmas, z < -sigmas):
            counted = np.convolve(side, np.ones(of, np.int64))[: len(z)]
            found |= side & (counted >= need)
        return found

    return test


def _in_a_row(z: Float, n: int, alternating: bool) -> Bool:
    """The last `n` values go one way, or to and fro."""
    step = np.sign(np.diff(z))
    if alternating:
        good = np.append(False, step[1:] * step[:-1] < 0)
        ran = _run_length(good)
        return np.append(False, ran >= n - 2)[: len(z)]
    ran = np.maximum(_run_length(step > 0), _run_length(step < 0))
    return np.append(False, ran >= n - 1)[: len(z)]


def _run_length(true: Bool) -> Int64:
    """How many in a row are true up to each place."""
    place = np.arange(1, len(true) + 1)
    return place - np.maximum.accumulate(np.where(true, 0, place)) if len(true) else place


RULES: tuple[tuple[str, Callable[[Float], Bool]], ...] = (
    (BEYOND_3, lambda z: np.abs(z) > 3),
    (TWO_OF_3, _several(3, 2, 2.0)),
    (FOUR_OF_5, _several(5, 4, 1.0)),
    (EIGHT, _several(8, 8, 0.0)),
    (SIX, lambda z: _in_a_row(z, 6, alternating=False)),
    (FOURTEEN, lambda z: _in_a_row(z, 14, alternating=True)),
)
"""NIST/SEMATECH e-Handbook 6.3.2, in own words; each takes z (n,) in sigma about the centre."""
