# SPDX-License-Identifier: MIT
"""A straight line through readings: least squares, after leaving out readings far off it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rig.core.recording import Bool, Float

BINS = 100
FAR = 6.0
"""Residuals beyond this many robust standard deviations are left out (common practice)."""
ROUNDS = 10
OFF_STEP = 1e-3
"""Share of a display step that a reading may be off by. No more: a steady fall read evenly comes
down in nearly even steps too."""
ROUNDED = 1e-9
"""Share of the greatest value: arithmetic noise below it is no difference."""


class Line(NamedTuple):
    """value = `intercept` + `slope` * t, the slope's standard error, and which readings were
    used, `used` (n,)."""

    slope: float
    intercept: float
    slope_error: float
    used: Bool


def fit_line(t: Float, value: Float) -> Line | None:
    """Least squares line and the standard error of its slope, readings far off left out.

    Draper and Smith, Applied Regression Analysis, 3rd ed., section 1.4: the error is sqrt(SSR / (n
    - 2) / Sxx), and is valid for independent readings. Readings far off are found from a line
    through the medians of up to 100 groups (median of the slopes between all pairs: Sen, J. Am.
    Stat. Assoc. 63 (1968) 1379), so that a few wild readings cannot hide themselves. None with
    fewer than three readings or all at one instant.
    """
    if len(t) < 3 or not np.ptp(t) > 0:
        return None
    slope, intercept = _median_line(t, value)
    used = np.ones(len(t), np.bool_)
    for _ in range(ROUNDS):
        residual = value - (intercept + slope * t)
        keep = np.abs(residual) <= far_off(residual, value)
        if keep.sum() < 3 or not np.ptp(t[keep]) > 0:
            break
        same, used = bool((keep == used).all()), keep
        slope, intercept, _ = _least_squares(t[used], value[used])
        if same:
            break
    slope, intercept, error = _least_squares(t[used], value[used])
    return Line(slope, intercept, error, used)


def all_of_them(t: Float, value: Float) -> Line:
    """The line through all readings, none left out; `t` not all at one instant."""
    return Line(*_least_squares(t, value), np.ones(len(t), np.bool_))


def _least_squares(t: Float, value: Float) -> tuple[float, float, float]:
    n, t_mean, v_mean = len(t), float(t.mean()), float(value.mean())
    dt, dv = t - t_mean, value - v_mean
    sxx = float(dt @ dt)
    slope = float(dt @ dv) / sxx
    rest = dv - slope * dt
    error = float(np.sqrt(float(rest @ rest) / (n - 2) / sxx)) if n > 2 else float("nan")
    return slope, v_mean - slope * t_mean, error


def _median_line(t: Float, value: Float) -> tuple[float, float]:
    groups = np.array_split(np.arange(len(t)), min(BINS, len(t)))
    t_mid = np.array([np.median(t[group]) for group in groups])
    v_mid = np.array([np.median(value[group]) for group in groups])
    i, j = np.triu_indices(len(groups), 1)
    run = t_mid[j] - t_mid[i]
    slope = float(np.median((v_mid[j] - v_mid[i])[run > 0] / run[run > 0]))
    return slope, float(np.median(value - slope * t))


def far_off(residual: Float, value: Float) -> float:
    """The residual from which a reading is far off: six robust standard deviations, and never less
    than two steps of the gauge's display."""
    scale = 1.4826 * float(np.median(np.abs(residual - np.median(residual))))
    step = display_step(value)
    rounding = 1e-9 * float(np.abs(value).max())
    return max(FAR * scale, 2.0 * step if scale <= step else 0.0, rounding)


def display_step(value: Float) -> float:
    """The step of the display behind `value` (n,): all of them differ by whole numbers of it, to
    within OFF_STEP of one. Close to 0 where there is none, 0 where all are alike.

    The smallest difference alone would take readings far apart, of a pressure that falls fast, for
    steps of the display.
    """
    rounding = ROUNDED * float(np.abs(value).max(initial=0.0))
    apart = np.diff(np.unique(value))
    apart = apart[apart > rounding]
    step = float(apart.min(initial=np.inf))
    while np.isfinite(step):
        left = np.abs(apart - step * np.round(apart / step))
        left = left[left > max(OFF_STEP * step, rounding)]
        if not len(left):
            return step
        step = float(left.min())
    return 0.0
