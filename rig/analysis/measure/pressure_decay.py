# SPDX-License-Identifier: MIT
"""Which part of a watch gives a decay rate, and what can be said where there is none."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from rig.analysis.stats.correlated_line import FEW, TERMS, Widened, of_ends, of_slope
from rig.analysis.stats.dependence import inflation, lag1, phi_of
from rig.analysis.stats.mean_rate import about_neighbours, mean_rate
from rig.analysis.stats.straight_line import Line, all_of_them, display_step, fit_line
from rig.core.recording import Float

LEAST_READINGS = 5
GONE_SHARE = 0.1
RISEN_SHARE = 0.98
"""Share of the level that nine of ten readings stay below: at it a rise is over."""
EMPTY_TIMES = 3.0
"""Multiple of the gauge's accuracy below which there is no pressure to lose."""
RUN = 3
CURVED_SHARE = 0.25
CURVED_ERRORS = 4.0
BY_CHANCE = 2.0
"""Standard deviations of the correlation between neighbours that are independent (1 / sqrt n)."""
LEAST_CURVE_DOF = 2.0
"""For a curve that fits a fall almost exactly, so that its residuals show no scatter."""
SMALL_SHARE = 0.01
"""Share of the fall: a curve that fits to within this describes it, whatever is left."""
MISFIT = 3.0
"""Maximum residual of the curve, in multiples of the scatter about neighbours: beyond it a curve
does not describe the fall (readings correlated with the last by 0.8 come to 2.6)."""
FIRST, LAST = "first", "last"
ROUNDING = 0.5
"""Steps of the display: smaller scatter is rounding alone."""


class Start(NamedTuple):
    """The pressure that there is to lose (kPa), and when (s from the start of the watch)."""

    kpa: float
    t_s: float


class Rate(NamedTuple):
    """How fast the pressure falls (kPa/s, positive = falling): the slope of a line, or where it
    does not fall along one the mean from the first to the last reading. `error` is its standard
    error, widened where readings depend on one another: `effective` is the number of independent
    ones they are equivalent to, `dof` its degrees of freedom, `terms` the number of terms of the
    line or curve (2 for the line).
    `sure`: the error can be estimated. `end_alone`: the first or the last reading is far off all
    others, and whether that was the pressure or a fault cannot be told."""

    kpa_s: float
    error: float
    effective: float
    dof: float
    terms: int
    left_out: int
    sure: bool
    end_alone: str = ""


class Decay(NamedTuple):
    """`rate` of the first `n` readings, None with too few. `gone_s`: when a tenth of the start was
    left, None where more was left to the end; `at_least_kpa_s` a rate that the fall reached at
    least once, less the gauge's accuracy, None where nothing shows one."""

    rate: Rate | None
    n: int
    straight: bool
    gone_s: float | None
    gone_early: bool
    at_least_kpa_s: float | None


def risen(value: Float) -> int:
    """Index of the first reading after the pressure rise at the start of `value` (n,)."""
    if not len(value):
        return 0
    level = RISEN_SHARE * float(np.percentile(value, 90))
    return 0 if value[0] >= level else int(np.argmax(value >= level))


def decay(
    t_s: Float, value: Float, before: Start | None, dropped_s: float | None, alike_kpa: float
) -> Decay:
    """Decay of the good readings `t_s`, `value` (n,) of a watch; `before` is the last pressure
    before it, `dropped_s` when the switch dropped out, `alike_kpa` the gauge's accuracy.

    The rate is that of the readings before the switch dropped out, or before the pressure was gone,
    if there are five or more. The mean rate between two readings is never above the steepest rate
    between them, so from the start to where it was gone it is a lower bound.
    """
    if not len(value):
        return Decay(None, 0, True, None, False, None)
    start = before or Start(float(np.median(value[:3])), float(t_s[0]))
    if start.kpa <= EMPTY_TIMES * alike_kpa:
        return Decay(None, 0, True, 0.0, True, None)
    low = value <= GONE_SHARE * start.kpa
    stays = np.flatnonzero(low & np.append(low[1:], np.True_))
    n, gone_s, bound = len(value), None, None
    if len(stays):
        n = int(stays[0])
        gone_s = float(t_s[n])
        if gone_s > start.t_s:
            fall = start.kpa - float(value[n]) - 2 * alike_kpa
            bound = max(fall / (gone_s - start.t_s), 0.0)
    early = gone_s is not None and n < LEAST_READINGS
    if dropped_s is not None:
        until = int(np.searchsorted(t_s, dropped_s, "left"))
        n = until if LEAST_READINGS <= until < n else n
    if n < LEAST_READINGS:
        return Decay(None, n, True, gone_s, early, bound)
    fitted = rate_of(t_s[:n], value[:n])
    if fitted is None:
        return Decay(None, n, True, gone_s, early, bound)
    rate, straight = fitted
    found = Decay(rate, n, straight, gone_s, early, bound)
    if rate.sure or bound is not None:
        return found
    fall = float(np.median(value[:3]) - np.median(value[n - 3 : n])) - 2 * alike_kpa
    return found._replace(at_least_kpa_s=max(fall / float(t_s[n - 1] - t_s[0]), 0.0))


def rate_of(t_s: Float, value: Float) -> tuple[Rate, bool] | None:
    """How fast `value` (n,) falls, and whether along a straight line. None with fewer than three
    readings or all at one instant."""
    line = fit_line(t_s, value)
    if line is None:
        return None
    out = ~line.used
    whole = _in_a_row(out) >= RUN or bool(out[:2].all() or out[-2:].all())
    if whole:  # consecutive readings are the pressure itself, not a loose plug
        line = all_of_them(t_s, value)
    straight = not (whole or _curved(t_s[line.used], value[line.used], line.slope))
    rate = _of_line(line, t_s, value)
    if not straight:
        rate = _of_curve(t_s, value) or rate._replace(sure=False)
    return rate, straight


def _of_line(line: Line, t_s: Float, value: Float) -> Rate:
    rest = (value - (line.intercept + line.slope * t_s))[line.used]
    n, out = len(rest), int(np.count_nonzero(~line.used))
    rounded = float(rest.std()) <= ROUNDING * display_step(value)
    wide = Widened(1.0, float(n - TERMS)) if rounded or n < LEAST_READINGS else of_slope(rest)
    effective = n / wide.factor
    alone = _end_alone(first=not line.used[0], last=not line.used[-1])
    # where readings are few, the interval is wide enough whatever they resemble; refusing those
    # that show it would keep the ones that hide it
    sure = n >= LEAST_READINGS and (n <= FEW or effective >= LEAST_READINGS)
    error = line.slope_error * math.sqrt(wide.factor)
    return Rate(-line.slope, error, effective, wide.dof, TERMS, out, sure, alone)


def _end_alone(*, first: bool, last: bool) -> str:
    return " and the ".join(name for name, far in ((FIRST, first), (LAST, last)) if far)


def _of_curve(t_s: Float, value: Float) -> Rate | None:
    """The mean rate from the first to the last reading. Not sure where a smooth curve does not
    describe the fall (a jump, a wave) to within a small share of it."""
    found = mean_rate(t_s, value)
    if found is None:
        return None
    spread, factor = float(found.rest.std()), _dependent(found.rest, value)
    span_s, step = float(t_s[-1] - t_s[0]), display_step(value)
    rounded = step / math.sqrt(6) / span_s if spread <= step else 0.0  # both ends
    few = 1.0 if spread <= ROUNDING * step else of_ends(found.rest, found.terms)
    error = max(found.error * math.sqrt(few), found.ends_error * math.sqrt(factor))
    small = spread <= SMALL_SHARE * abs(found.rate) * span_s
    described = spread <= max(MISFIT * about_neighbours(found.rest), ROUNDING * step)
    effective = len(found.rest) / factor
    fits = small or described
    alone = _end_alone(first=fits and found.first_alone, last=fits and found.last_alone)
    sure = not alone and (small or (described and effective >= LEAST_READINGS))
    out = int(np.count_nonzero(~found.used))
    dof = max(effective - found.terms, LEAST_CURVE_DOF)
    error = math.hypot(error, rounded)
    return Rate(-found.rate, error, effective, dof, found.terms, out, sure, alone)


def _dependent(rest: Float, value: Float) -> float:
    """Inflation of the variance of a curve's ends from the dependence of readings on one another;
    `rest` (n,) are the residuals from the curve.

    Residuals of a first-order autoregression (rig.analysis.stats.dependence). A correlation that
    chance may show is ignored: the curve takes up most of a real one. Correlation from the steps of
    the display alone is ignored.
    """
    n, alike = len(rest), lag1(rest) or 0.0
    if float(rest.std()) <= ROUNDING * display_step(value):
        return 1.0
    return inflation(phi_of(rest), n) if alike > BY_CHANCE / math.sqrt(n) else 1.0


def _in_a_row(left_out: np.typing.NDArray[np.bool_]) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], left_out.astype(np.int8), [0]))))
    return int((edges[1::2] - edges[::2]).max(initial=0))


def _curved(t_s: Float, value: Float, slope: float) -> bool:
    """Whether the slopes of the two halves differ by more than their errors and a quarter of the
    whole."""
    half = len(t_s) // 2
    first, second = fit_line(t_s[:half], value[:half]), fit_line(t_s[half:], value[half:])
    if first is None or second is None:
        return False
    apart = abs(first.slope - second.slope)
    error = float(np.hypot(first.slope_error, second.slope_error))
    return apart > CURVED_ERRORS * error and apart > CURVED_SHARE * abs(slope)
