# SPDX-License-Identifier: MIT
"""Sensors with an analogue signal: from measured quantity to signal and back.

Units: V, A, ohm, degC; a pressure or current in the unit of its range.
"""

from __future__ import annotations

import math

CVD_A, CVD_B, CVD_C = 3.9083e-3, -5.775e-7, -4.183e-12
"""Coefficients of industrial platinum, 1/K, 1/K^2, 1/K^4 (IEC 60751:2008, 4.2)."""
PLATINUM_DEGC = (-200.0, 850.0)
"""Range of the formula of IEC 60751."""

KELVIN = 273.15
BETA_AT_K = 25.0 + KELVIN

NE43_FAULT_LOW_A, NE43_FAULT_HIGH_A = 3.6e-3, 21.0e-3
"""At or beyond these a transmitter signals its own failure, or its wire is off (NAMUR NE 43)."""
NE43_LOW_A, NE43_HIGH_A = 3.8e-3, 20.5e-3
"""Between these the signal is a measurement (NAMUR NE 43); 4 and 20 mA are the range's ends."""


def between(value: float, ends: tuple[float, float], to: tuple[float, float]) -> float:
    """Linear map of `value` from `ends` to `to`."""
    return to[0] + (value - ends[0]) * (to[1] - to[0]) / (ends[1] - ends[0])


def platinum_ohm(temperature_degc: float, resistance_0_ohm: float) -> float:
    """Resistance of industrial platinum (Callendar-Van Dusen as in IEC 60751:2008, 4.2)."""
    t = temperature_degc
    ratio = 1.0 + CVD_A * t + CVD_B * t * t
    if t < 0.0:
        ratio += CVD_C * (t - 100.0) * t**3
    return resistance_0_ohm * ratio


def platinum_degc(resistance_ohm: float, resistance_0_ohm: float) -> float:
    """Temperature of industrial platinum: the inverse of platinum_ohm.

    The root of the quadratic from 0 degC up; Newton's method on the full polynomial below. NaN
    outside PLATINUM_DEGC.
    """
    ratio = resistance_ohm / resistance_0_ohm
    under = CVD_A * CVD_A - 4.0 * CVD_B * (1.0 - ratio)
    if not under >= 0.0:
        return math.nan
    t = (-CVD_A + math.sqrt(under)) / (2.0 * CVD_B)
    if ratio < 1.0:
        for _ in range(8):
            slope = CVD_A + 2.0 * CVD_B * t + CVD_C * (4.0 * t - 300.0) * t * t
            t -= (platinum_ohm(t, 1.0) - ratio) / slope
    return t if PLATINUM_DEGC[0] - 0.1 <= t <= PLATINUM_DEGC[1] + 0.1 else math.nan


def steinhart_hart_degc(resistance_ohm: float, abc: tuple[float, float, float]) -> float:
    """Temperature of a thermistor: 1/T = A + B ln R + C (ln R)^3, T in kelvin.

    Source: J. S. Steinhart and S. R. Hart, "Calibration curves for thermistors", Deep-Sea
    Research 15 (1968) 497. NaN for a resistance that is not above zero.
    """
    if not resistance_ohm > 0.0:
        return math.nan
    a, b, c = abc
    log = math.log(resistance_ohm)
    inverse = a + b * log + c * log**3
    return 1.0 / inverse - KELVIN if inverse > 0.0 else math.nan


def steinhart_hart_ohm(temperature_degc: float, abc: tuple[float, float, float]) -> float:
    """The inverse of steinhart_hart_degc: the one real root of the cubic in ln R (Cardano).

    With C = 0 the equation is linear in ln R.
    """
    a, b, c = abc
    wanted = 1.0 / (temperature_degc + KELVIN)
    if c == 0.0:
        return math.exp((wanted - a) / b)
    half = (a - wanted) / (2.0 * c)
    root = math.sqrt((b / (3.0 * c)) ** 3 + half * half)
    return math.exp(math.cbrt(root - half) - math.cbrt(root + half))


def beta_as_steinhart_hart(resistance_25_ohm: float, beta_k: float) -> tuple[float, float, float]:
    """A, B, C of R = R25 exp(beta (1/T - 1/298.15 K)), the two-point form of the same equation."""
    return 1.0 / BETA_AT_K - math.log(resistance_25_ohm) / beta_k, 1.0 / beta_k, 0.0


def lower_resistor_ohm(ratio: float, series_ohm: float) -> float:
    """Resistance from the input to ground, where `ratio` of the feed voltage is across it and
    `series_ohm` leads to the feed (voltage divider). NaN outside 0 < ratio < 1."""
    return series_ohm * ratio / (1.0 - ratio) if 0.0 < ratio < 1.0 else math.nan


def divided(resistance_ohm: float, series_ohm: float) -> float:
    """The inverse of lower_resistor_ohm: the share of the feed across `resistance_ohm`."""
    return resistance_ohm / (resistance_ohm + series_ohm)
