# SPDX-License-Identifier: MIT
"""The coil of a solenoid as an RL circuit: current, times, copper resistance, heat.

Formulas: lumped R and L, dc source (any textbook on circuits). The inductance is assumed constant;
a real one changes with armature travel and with saturation, so times of a moving armature differ
somewhat. Units: V, A, ohm, H, s, degC, W, J.
"""

from __future__ import annotations

import math

COPPER_ALPHA_20 = 0.00393
"""Temperature coefficient of annealed copper's resistance at 20 degC, 1/K (IEC 60028)."""

COPPER_K = 235.0
"""Inferred zero-resistance temperature of copper, degC below zero (IEC 60034-1; US practice
uses 234.5)."""


def copper_resistance_ohm(
    resistance_20_ohm: float, temperature_degc: float, alpha_per_k: float = COPPER_ALPHA_20
) -> float:
    """Resistance at `temperature_degc` of a winding with `resistance_20_ohm` at 20 degC.

    R = R20 (1 + alpha (T - 20)). Linear; good to about 1 % from -40 to 180 degC.
    """
    return resistance_20_ohm * (1.0 + alpha_per_k * (temperature_degc - 20.0))


def copper_temperature_degc(
    resistance_20_ohm: float, resistance_ohm: float, alpha_per_k: float = COPPER_ALPHA_20
) -> float:
    """Mean temperature of a winding from its resistance: the inverse of copper_resistance_ohm."""
    return 20.0 + (resistance_ohm / resistance_20_ohm - 1.0) / alpha_per_k


def winding_temperature_degc(
    cold_ohm: float, hot_ohm: float, cold_degc: float, k: float = COPPER_K
) -> float:
    """Mean temperature of a winding from two resistances, the first measured at `cold_degc`.

    R2 / R1 (k + theta1) - k (IEC 60034-1, resistance method).
    """
    return hot_ohm / cold_ohm * (k + cold_degc) - k


def temperature_rise_k(
    cold_ohm: float, hot_ohm: float, cold_degc: float, ambient_degc: float, k: float = COPPER_K
) -> float:
    """Rise of a winding over the ambient by the resistance method (IEC 60034-1).

    (R2 - R1) / R1 * (k + theta1) + theta1 - theta_a, with R1 measured at theta1.
    """
    return (hot_ohm - cold_ohm) / cold_ohm * (k + cold_degc) + cold_degc - ambient_degc


def time_constant_s(resistance_ohm: float, inductance_h: float) -> float:
    """L / R."""
    return inductance_h / resistance_ohm


def time_to_current_s(
    current_a: float,
    voltage_v: float,
    resistance_ohm: float,
    inductance_h: float,
    start_a: float = 0.0,
) -> float:
    """Time until a rising current reaches `current_a`: the pull-in time of a solenoid that begins
    to move at that current. 0 if already reached, infinity if never reached."""
    if current_a <= start_a:
        return 0.0
    final_a = voltage_v / resistance_ohm
    if not current_a < final_a:
        return math.inf
    ratio = (final_a - start_a) / (final_a - current_a)
    return inductance_h / resistance_ohm * math.log(ratio)


def current_decay_a(
    t_s: float, start_a: float, resistance_ohm: float, inductance_h: float, clamp_v: float
) -> float:
    """Current `t_s` after the contact opened and the coil freewheels into `clamp_v`.

    `clamp_v` is the voltage across the coil against its current: 0.7 V for a plain diode, zener
    plus diode voltage for a clamp. The current stops at zero; it never reverses.
    """
    against_a = clamp_v / resistance_ohm
    value = -against_a + (start_a + against_a) * math.exp(-t_s * resistance_ohm / inductance_h)
    return max(value, 0.0)


def release_time_s(
    start_a: float, release_a: float, resistance_ohm: float, inductance_h: float, clamp_v: float
) -> float:
    """Time until a freewheeling current has fallen to `release_a` (0 allowed where clamp_v > 0).

    tau ln((I0 + Vc/R) / (Ir + Vc/R)). Infinity where the current only approaches `release_a`.
    """
    if release_a >= start_a:
        return 0.0
    against_a = clamp_v / resistance_ohm
    if release_a + against_a <= 0.0:
        return math.inf
    ratio = (start_a + against_a) / (release_a + against_a)
    return inductance_h / resistance_ohm * math.log(ratio)


def power_w(voltage_v: float, resistance_ohm: float) -> float:
    """Heat in the coil, V^2 / R."""
    return voltage_v * voltage_v / resistance_ohm


def stored_energy_j(current_a: float, inductance_h: float) -> float:
    """Energy of the magnetic field, L I^2 / 2: what the clamp must absorb."""
    return 0.5 * inductance_h * current_a * current_a


def clamp_energy_j(
    start_a: float, resistance_ohm: float, inductance_h: float, clamp_v: float
) -> float:
    """Energy absorbed by the clamp in one release; the coil's own resistance absorbs the rest.

    Vc times the charge until the current is zero: Vc L/R (I0 - Vc/R ln(1 + I0 R / Vc)), the
    integral of current_decay_a. `clamp_v` above 0.
    """
    against_a = clamp_v / resistance_ohm
    charge = start_a - against_a * math.log1p(start_a / against_a)
    return clamp_v * inductance_h / resistance_ohm * charge


def warm_up_k(t_s: float, start_k: float, final_k: float, time_constant_s: float) -> float:
    """Temperature rise `t_s` after the heat changed, with a single thermal time constant."""
    return final_k + (start_k - final_k) * math.exp(-t_s / time_constant_s)
