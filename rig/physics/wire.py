# SPDX-License-Identifier: MIT
"""Copper wire by American Wire Gauge: size, resistance, voltage drop.

Solid annealed copper. Stranded wire of the same gauge has about 2 % more resistance.
"""

from __future__ import annotations

import math

from rig.physics.coil import copper_resistance_ohm

RESISTIVITY_20_OHM_M = 1e-6 / 58.0
"""Annealed copper at 20 degC, 1/58 ohm mm^2/m (IEC 60028)."""


def awg_diameter_mm(gauge: int) -> float:
    """Bare diameter, 0.127 mm * 92^((36 - n) / 39) (ASTM B258). 0000 is -3."""
    return 0.127 * math.pow(92.0, (36 - gauge) / 39.0)


def awg_area_mm2(gauge: int) -> float:
    """Cross-section of solid wire."""
    diameter = awg_diameter_mm(gauge)
    return math.pi / 4.0 * diameter * diameter


def resistance_of_area_ohm(
    area_mm2: float, length_m: float, temperature_degc: float = 20.0
) -> float:
    """Resistance of `length_m` of copper with a cross-section of `area_mm2`."""
    cold = RESISTIVITY_20_OHM_M * length_m / (area_mm2 * 1e-6)
    return copper_resistance_ohm(cold, temperature_degc)


def resistance_ohm(gauge: int, length_m: float, temperature_degc: float = 20.0) -> float:
    """Resistance of `length_m` of wire, out and back counted by the caller."""
    return resistance_of_area_ohm(awg_area_mm2(gauge), length_m, temperature_degc)


def drop_v(gauge: int, length_m: float, current_a: float, temperature_degc: float = 20.0) -> float:
    """Voltage drop along `length_m` of wire (out and back: twice the cable's length)."""
    return current_a * resistance_ohm(gauge, length_m, temperature_degc)
