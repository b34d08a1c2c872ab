# SPDX-License-Identifier: MIT
"""Copper wire: size by gauge, resistance, voltage drop, current capacity and short-circuit
withstand.

Solid annealed copper. Stranded wire of the same gauge has about 2 % more resistance.
"""

from __future__ import annotations

import itertools
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
    """Resistance of `length_m` of wire; the caller counts out and back."""
    return resistance_of_area_ohm(awg_area_mm2(gauge), length_m, temperature_degc)


def drop_v(gauge: int, length_m: float, current_a: float, temperature_degc: float = 20.0) -> float:
    """Voltage drop along `length_m` of wire (out and back: twice the cable's length)."""
    return current_a * resistance_ohm(gauge, length_m, temperature_degc)


# -- continuous current

AIR_DEGC, CONDUCTOR_DEGC = 30.0, 70.0
"""Ambient and conductor temperatures at which FREE_AIR_A holds."""

FREE_AIR_A: tuple[tuple[float, float], ...] = (
    (0.75, 15.0), (1.0, 19.0), (1.5, 24.0), (2.5, 32.0), (4.0, 42.0), (6.0, 54.0), (10.0, 73.0),
    (16.0, 98.0),
)  # fmt: skip
"""Area in mm^2 and current in A of one flexible insulated wire, free in air (DIN VDE 0298-4, table
11, column 2, as makers of wire quote it)."""

BUNCHED: tuple[tuple[int, float], ...] = (
    (1, 1.0), (2, 0.8), (3, 0.7), (4, 0.65), (5, 0.6), (6, 0.57), (7, 0.54), (8, 0.52), (9, 0.5),
    (12, 0.45), (16, 0.41), (20, 0.38),
)  # fmt: skip
"""Loaded circuits in one bundle and the factor on the current of each (IEC 60364-5-52, table
B.52.17, bunched; from memory)."""

THINNEST_MM2 = 0.1


def bunched_factor(circuits: int) -> float:
    """Factor for this many loaded circuits in one bundle; between two listed numbers that of the
    higher. Raises ValueError outside the table."""
    for listed, factor in BUNCHED:
        if 1 <= circuits <= listed:
            return factor
    raise ValueError(f"{circuits} circuits are outside the table (1 to {BUNCHED[-1][0]})")


def ampacity_a(
    area_mm2: float,
    surroundings_degc: float = AIR_DEGC,
    insulation_degc: float = CONDUCTOR_DEGC,
    circuits: int = 1,
) -> float:
    """Current that one insulated copper wire carries continuously.

    Between two listed areas a power law, extended below the table. At other temperatures the heat
    given off is proportional to the temperature difference, and the heat generated to the square of
    the current and copper's resistance, so I is proportional to sqrt(difference / resistance); for
    70 degC these are the factors of DIN VDE 0298-4, table 17. 0 where the ambient is as hot as the
    insulation bears. Raises ValueError for an area outside 0.1 to 16 mm^2.
    """
    if not THINNEST_MM2 <= area_mm2 <= FREE_AIR_A[-1][0]:
        raise ValueError(f"{area_mm2:.3g} mm^2 is outside {THINNEST_MM2} to {FREE_AIR_A[-1][0]:g}")
    room_k = insulation_degc - surroundings_degc
    if not room_k > 0.0:
        return 0.0
    of_heat = room_k / (CONDUCTOR_DEGC - AIR_DEGC)
    of_heat *= copper_resistance_ohm(1.0, CONDUCTOR_DEGC)
    of_heat /= copper_resistance_ohm(1.0, insulation_degc)
    return _free_air_a(area_mm2) * math.sqrt(of_heat) * bunched_factor(circuits)


def _free_air_a(area_mm2: float) -> float:
    pairs = list(itertools.pairwise(FREE_AIR_A))
    (a1, i1), (a2, i2) = next(
        (pair for pair in pairs if pair[0][0] <= area_mm2 <= pair[1][0]), pairs[0]
    )
    slope = math.log(i2 / i1) / math.log(a2 / a1)
    return i1 * math.pow(area_mm2 / a1, slope)


# -- short-circuit withstand

ADIABATIC_S = 5.0
"""Up to this time no heat leaves the wire (IEC 60364-4-43)."""


def adiabatic_k(start_degc: float, end_degc: float) -> float:
    """k of copper in A s^(1/2) / mm^2, heated from `start_degc` to `end_degc`.

    226 sqrt(ln(1 + (end - start) / (234.5 + start))) (IEC 60364-5-54, annex A; 115 for PVC from 70
    to 160 degC, 143 for cross-linked insulation from 90 to 250 degC).
    """
    return 226.0 * math.sqrt(math.log1p((end_degc - start_degc) / (234.5 + start_degc)))


def withstand_a2s(area_mm2: float, start_degc: float, end_degc: float) -> float:
    """I^2 t that heats the wire from `start_degc` to `end_degc`: (k S)^2 (IEC 60364-4-43)."""
    value = adiabatic_k(start_degc, end_degc) * area_mm2
    return value * value
