# SPDX-License-Identifier: MIT
"""Flow of oil through orifices, passages and clearances; filling of a closed volume.

SI units inside: Pa, m, m^3/s, kg/m^3, Pa s. Air has its own module, `air`.
"""

from __future__ import annotations

import math


def orifice_m3_s(discharge: float, area_m2: float, drop_pa: float, density_kg_m3: float) -> float:
    """Turbulent flow through a sharp orifice, Cd A sqrt(2 dp / rho), with the drop's sign.

    Bernoulli; for a Reynolds number above about 1000 and an approach much wider than the hole.
    """
    return math.copysign(
        discharge * area_m2 * math.sqrt(2.0 * abs(drop_pa) / density_kg_m3), drop_pa
    )


def orifice_reynolds(flow_m3_s: float, diameter_m: float, nu_m2_s: float) -> float:
    """Reynolds number of the hole, 4 Q / (pi d nu), with the kinematic viscosity `nu_m2_s`."""
    return 4.0 * abs(flow_m3_s) / (math.pi * diameter_m * nu_m2_s)


def annular_reynolds(flow_m3_s: float, diameter_m: float, nu_m2_s: float) -> float:
    """Reynolds number of a narrow annular gap, 2 Q / (pi d nu): mean speed times twice the gap."""
    return 2.0 * abs(flow_m3_s) / (math.pi * diameter_m * nu_m2_s)


def annular_leak_m3_s(
    diameter_m: float,
    clearance_m: float,
    length_m: float,
    drop_pa: float,
    viscosity_pa_s: float,
    eccentricity: float = 0.0,
) -> float:
    """Laminar leakage along a land, pi d c^3 dp / (12 mu L) (1 + 1.5 e^2).

    `clearance_m` is radial; `eccentricity` 0 (centred) to 1 (touching). Merritt and other
    fluid-power textbooks. Laminar flow, clearance much smaller than the diameter.
    """
    centred = math.pi * diameter_m * clearance_m**3 * drop_pa / (12.0 * viscosity_pa_s * length_m)
    return centred * (1.0 + 1.5 * eccentricity * eccentricity)


def pipe_resistance_pa_s_m3(diameter_m: float, length_m: float, viscosity_pa_s: float) -> float:
    """dp/Q of laminar flow in a round passage, 128 mu L / (pi d^4) (Hagen-Poiseuille)."""
    return 128.0 * viscosity_pa_s * length_m / (math.pi * diameter_m**4)


def orifice_coefficient(discharge: float, area_m2: float, density_kg_m3: float) -> float:
    """b in dp = b Q^2 of a sharp orifice: rho / (2 (Cd A)^2), Pa s^2/m^6."""
    return density_kg_m3 / (2.0 * (discharge * area_m2) ** 2)


def passage_m3_s(drop_pa: float, laminar_pa_s_m3: float, turbulent_pa_s2_m6: float) -> float:
    """Flow through laminar and turbulent resistances in series: dp = a Q + b Q |Q|, solved for Q.

    Written so that no digits are lost at small drops, where it is dp / a.
    """
    a = laminar_pa_s_m3
    return 2.0 * drop_pa / (a + math.sqrt(a * a + 4.0 * turbulent_pa_s2_m6 * abs(drop_pa)))


def wave_speed_m_s(bulk_modulus_pa: float, density_kg_m3: float) -> float:
    """Speed of sound in a liquid between rigid walls, sqrt(beta / rho)."""
    return math.sqrt(bulk_modulus_pa / density_kg_m3)
