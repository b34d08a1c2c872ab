# SPDX-License-Identifier: MIT
"""Flow of air through restrictions, and leaks found by pressure decay.

Pressures are absolute. SI units: Pa, K, kg/s, m^3.
"""

from __future__ import annotations

import math

GAS_CONSTANT_J_KG_K = 287.05
"""Dry air."""
HEAT_RATIO = 1.4
REFERENCE_DENSITY_KG_M3 = 1.185
"""ISO 6358 reference air (ANR): 20 degC, 100 kPa, 65 % relative humidity."""
REFERENCE_TEMPERATURE_K = 293.15
REFERENCE_PRESSURE_PA = 100_000.0
STANDARD_ATMOSPHERE_PA = 101_325.0
VISCOSITY_PA_S = 1.82e-5
"""Air at 20 degC (handbook value; from memory)."""


def critical_ratio(heat_ratio: float = HEAT_RATIO) -> float:
    """Downstream/upstream pressure below which an ideal nozzle is choked:
    (2 / (k + 1))^(k / (k - 1))."""
    return math.pow(2.0 / (heat_ratio + 1.0), heat_ratio / (heat_ratio - 1.0))


def choked_kg_s(
    discharge: float,
    area_m2: float,
    upstream_pa: float,
    temperature_k: float = REFERENCE_TEMPERATURE_K,
    heat_ratio: float = HEAT_RATIO,
) -> float:
    """Choked mass flow, Cd A p sqrt(k / (R T)) (2 / (k + 1))^((k + 1) / (2 (k - 1)))."""
    exponent = (heat_ratio + 1.0) / (2.0 * (heat_ratio - 1.0))
    speed = math.sqrt(heat_ratio / (GAS_CONSTANT_J_KG_K * temperature_k))
    return discharge * area_m2 * upstream_pa * speed * math.pow(2.0 / (heat_ratio + 1.0), exponent)


def sonic_conductance_m3_s_pa(discharge: float, area_m2: float) -> float:
    """C of ISO 6358 of a hole with a known area: choked flow / (reference density * p1)."""
    return choked_kg_s(discharge, area_m2, 1.0) / REFERENCE_DENSITY_KG_M3


def iso6358_kg_s(
    conductance_m3_s_pa: float,
    ratio_b: float,
    upstream_pa: float,
    downstream_pa: float,
    temperature_k: float = REFERENCE_TEMPERATURE_K,
) -> float:
    """Mass flow through a pneumatic component by sonic conductance C and critical ratio b.

    q = C p1 rho0 sqrt(T0/T1), times sqrt(1 - ((p2/p1 - b)/(1 - b))^2) when p2/p1 > b (ISO 6358-1,
    formula from memory). `upstream_pa` must be the higher pressure: zero flow otherwise.
    """
    if downstream_pa >= upstream_pa:
        return 0.0
    choked = (
        conductance_m3_s_pa
        * upstream_pa
        * REFERENCE_DENSITY_KG_M3
        * math.sqrt(REFERENCE_TEMPERATURE_K / temperature_k)
    )
    ratio = downstream_pa / upstream_pa
    if ratio <= ratio_b:
        return choked
    excess = (ratio - ratio_b) / (1.0 - ratio_b)
    return choked * math.sqrt(1.0 - excess * excess)


def anr_m3_s(mass_kg_s: float) -> float:
    """Volume flow at ISO 6358 reference conditions (20 degC, 100 kPa)."""
    return mass_kg_s / REFERENCE_DENSITY_KG_M3


def annular_leak_anr_m3_s(
    diameter_m: float,
    clearance_m: float,
    length_m: float,
    upstream_pa: float,
    downstream_pa: float,
    eccentricity: float = 0.0,
) -> float:
    """Isothermal laminar air leak along a land, as volume at 100 kPa, signed.

    The formula for liquids with the mean density: pi d c^3 (p1^2 - p2^2) / (24 mu L p0) (1 + 1.5
    e^2). Valid while the flow in the gap stays slow against sound.
    """
    squares = upstream_pa * upstream_pa - downstream_pa * downstream_pa
    centred = (
        math.pi
        * diameter_m
        * clearance_m**3
        * squares
        / (24.0 * VISCOSITY_PA_S * length_m * REFERENCE_PRESSURE_PA)
    )
    return centred * (1.0 + 1.5 * eccentricity * eccentricity)


def pressure_decay_leak_pa_m3_s(
    volume_m3: float,
    start_pa: float,
    end_pa: float,
    time_s: float,
    start_k: float = REFERENCE_TEMPERATURE_K,
    end_k: float | None = None,
) -> float:
    """Leak rate of a closed volume from its pressure decay, corrected for the gas temperature.

    V (p1 - p2 T1/T2) / t, in Pa m^3/s at T1 (ideal gas; the principle of EN 1779 pressure decay).
    Without `end_k` the temperature is assumed constant: 0.1 K then looks like 0.2 kPa at 600 kPa.
    """
    if not time_s > 0.0:
        raise ValueError(f"a decay over {time_s} s says nothing")
    corrected = end_pa if end_k is None else end_pa * start_k / end_k
    return volume_m3 * (start_pa - corrected) / time_s


def leak_volume_flow_m3_s(
    leak_pa_m3_s: float,
    gas_k: float = REFERENCE_TEMPERATURE_K,
    reference_k: float | None = None,
    reference_pa: float = STANDARD_ATMOSPHERE_PA,
) -> float:
    """Leak as a volume flow at `reference_pa` and `reference_k` (gas temperature by default).

    Always print the reference with the figure: makers use 0, 15, 20 and 25 degC.
    """
    scale = 1.0 if reference_k is None else reference_k / gas_k
    return leak_pa_m3_s / reference_pa * scale


def thermal_drift_pa(pressure_pa: float, change_k: float, temperature_k: float) -> float:
    """Pressure change of a closed volume of gas that warms by `change_k`: it looks like a leak."""
    return pressure_pa * change_k / temperature_k
