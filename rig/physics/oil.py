# SPDX-License-Identifier: MIT
"""Mineral oil: viscosity and density with temperature, stiffness with entrained air."""

from __future__ import annotations

import math
from typing import NamedTuple

ZERO_DEGC_K = 273.15
ATMOSPHERE_KPA = 101.325
BULK_MODULUS_KPA = 1.4e6
"""Mineral oil at low pressure; handbooks give 1.4 to 1.8 GPa."""
DENSITY_COEFFICIENT_PER_K = 0.00064
"""Typical of mineral oil; from memory, no source."""
ALUMINIUM_PER_K = 3 * 23.1e-6
"""Volume expansion of an aluminium body: three times the linear one (handbook value)."""
EXPANSION_PER_K = DENSITY_COEFFICIENT_PER_K - ALUMINIUM_PER_K
"""Of oil beyond that of the aluminium body that holds it and warms with it."""


class ViscosityTemperature(NamedTuple):
    """lg lg (nu + 0.7) = A - B lg T, nu in mm^2/s, T in kelvin: the short form of ASTM D341.

    Valid from about 2 mm^2/s upwards, for oil that is a plain liquid (above its cloud point).
    """

    a: float
    b: float

    @classmethod
    def through(
        cls, nu1_mm2_s: float, t1_degc: float, nu2_mm2_s: float, t2_degc: float
    ) -> ViscosityTemperature:
        """The line through two measured points, as a data sheet gives them at 40 and 100 degC.

        Raises ValueError for equal temperatures or a viscosity below 2 mm^2/s.
        """
        if not (nu1_mm2_s >= 2.0 and nu2_mm2_s >= 2.0):
            raise ValueError("the short form of ASTM D341 needs viscosities of 2 mm^2/s or more")
        if t1_degc == t2_degc:
            raise ValueError("two different temperatures are needed")
        z1, z2 = _z(nu1_mm2_s), _z(nu2_mm2_s)
        lg1, lg2 = math.log10(t1_degc + ZERO_DEGC_K), math.log10(t2_degc + ZERO_DEGC_K)
        b = (z1 - z2) / (lg2 - lg1)
        return cls(z1 + b * lg1, b)

    def kinematic_mm2_s(self, t_degc: float) -> float:
        """Kinematic viscosity. Raises ValueError where the short form no longer holds."""
        lglg = self.a - self.b * math.log10(t_degc + ZERO_DEGC_K)
        nu = math.pow(10.0, math.pow(10.0, lglg)) - 0.7
        if not nu >= 2.0:
            raise ValueError(
                f"{nu:.3g} mm^2/s at {t_degc:g} degC is below 2 mm^2/s, where the short form of "
                "ASTM D341 does not hold"
            )
        return nu


def _z(nu_mm2_s: float) -> float:
    return math.log10(math.log10(nu_mm2_s + 0.7))


def density_kg_m3(density_15_kg_m3: float, t_degc: float) -> float:
    """Density at `t_degc`, linear from its value at 15 degC; within about 1 % to 150 degC."""
    return density_15_kg_m3 * (1.0 - DENSITY_COEFFICIENT_PER_K * (t_degc - 15.0))


def dynamic_pa_s(nu_mm2_s: float, rho_kg_m3: float) -> float:
    """Dynamic viscosity from kinematic viscosity and density."""
    return nu_mm2_s * 1e-6 * rho_kg_m3


def bulk_modulus_kpa(
    pressure_abs_kpa: float, free_air: float, liquid_kpa: float = BULK_MODULUS_KPA
) -> float:
    """Stiffness of oil that carries `free_air` (fraction of volume at this pressure), isothermal.

    1/beta = (1 - x)/beta_liquid + x/p (Merritt and other fluid-power textbooks). For slow changes;
    fast ones are adiabatic and up to 1.4 times stiffer in their air part. Air that dissolves under
    pressure is not modelled.
    """
    return 1.0 / ((1.0 - free_air) / liquid_kpa + free_air / pressure_abs_kpa)


def trapped_kpa_per_k(pressure_abs_kpa: float, free_air_atm: float) -> float:
    """Pressure rise of trapped oil for each kelvin that oil and body warm, at this pressure.

    Bulk modulus times volume expansion (Merritt and other fluid-power textbooks); `free_air_atm`
    is the free air at atmospheric pressure. Walls and hoses that give make it less.
    """
    free_air = free_air_atm * ATMOSPHERE_KPA / pressure_abs_kpa
    return bulk_modulus_kpa(pressure_abs_kpa, free_air) * EXPANSION_PER_K


def squeezed_fraction(
    pressure_abs_kpa: float,
    free_air_atm: float,
    liquid_kpa: float = BULK_MODULUS_KPA,
    atmosphere_kpa: float = ATMOSPHERE_KPA,
) -> float:
    """Oil to be added to a full, rigid volume to raise it from atmospheric pressure to
    `pressure_abs_kpa`, as a fraction of that volume.

    (p - p0)/beta + x0 (1 - p0/p), with x0 the free air at atmospheric pressure, isothermal.
    """
    return (pressure_abs_kpa - atmosphere_kpa) / liquid_kpa + free_air_atm * (
        1.0 - atmosphere_kpa / pressure_abs_kpa
    )


def pressure_when_squeezed_kpa(
    fraction: float,
    free_air_atm: float,
    liquid_kpa: float = BULK_MODULUS_KPA,
    atmosphere_kpa: float = ATMOSPHERE_KPA,
) -> float:
    """Absolute pressure when `fraction` was added: the inverse of squeezed_fraction.

    The positive root of p^2/beta + (x0 - p0/beta - s) p - x0 p0 = 0. A negative `fraction` is a
    void: the pressure is then atmospheric.
    """
    if fraction <= 0.0:
        return atmosphere_kpa
    half = 0.5 * liquid_kpa * (free_air_atm - atmosphere_kpa / liquid_kpa - fraction)
    product = free_air_atm * atmosphere_kpa * liquid_kpa
    root = math.sqrt(half * half + product)
    # the two forms are equal; each loses digits where the other does not
    return root - half if half <= 0.0 else product / (root + half)
