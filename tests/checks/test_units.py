# SPDX-License-Identifier: MIT
"""Unit factors of setups and sheets against NIST Special Publication 811 (2008), Appendix B.8.

The factors stand here as they are printed there, to seven digits, from memory; the exact values
follow from the definitions of inch, pound-force and standard gravity given beside them.
"""

from __future__ import annotations

import pytest

from rig.core.quantities import parse

# NIST SP 811 B.8, "To convert from ... to ... multiply by", to seven digits.
PRINTED = [
    ("psi", "pressure", 6.894757),  # to kPa
    ("bar", "pressure", 1.0e2),
    ("mbar", "pressure", 1.0e-1),
    ("kgf/cm^2", "pressure", 9.80665e1),
    ("atm", "pressure", 1.01325e2),
    ("inHg", "pressure", 3.386389),  # inch of mercury, conventional
    ("mmHg", "pressure", 1.333224e-1),  # millimeter of mercury, conventional
    ("torr", "pressure", 1.333224e-1),
    ("inH2O", "pressure", 2.490889e-1),  # inch of water, conventional
    ("gal/min", "flow", 3.785412),  # US gallon per minute, to litre per minute
    ("ft^3/min", "flow", 28.31685),
    ("lbf", "force", 4.448222),  # to newton
    ("inch", "length", 25.4),  # to millimetre, exact
    ("cSt", "viscosity", 1.0),  # to mm^2/s, exact
    ("oz", "mass", 28.34952),  # avoirdupois, to gram
]


@pytest.mark.parametrize(("unit", "dimension", "factor"), PRINTED)
def test_factor_to_its_printed_digits(unit: str, dimension: str, factor: float) -> None:
    assert f"{parse(f'1 {unit}', dimension):.7g}" == f"{factor:.7g}"


def test_psi_from_its_definition() -> None:
    # pound-force 4.4482216152605 N and inch 0.0254 m, both exact (NIST SP 811 B.8, footnotes)
    exact_kpa = 4.4482216152605 / 0.0254**2 / 1000
    assert parse("1 psi", "pressure") == pytest.approx(exact_kpa, rel=1e-14)
    assert parse("1 psi", "pressure") / parse("1 bar", "pressure") == pytest.approx(
        0.06894757, rel=1e-7
    )


def test_factors_reach_through_ten_powers() -> None:
    # a factor is a factor at any size: no offset hides in a pressure unit
    for power in range(-4, 6):
        value = parse(f"1e{power} psi", "pressure")
        assert value == pytest.approx(6.894757293168361 * 10.0**power, rel=1e-14)
    assert parse("0 psi", "pressure") == 0.0


@pytest.mark.parametrize(
    ("fahrenheit", "celsius"),
    # NIST SP 811 B.8: t/degC = (t/degF - 32)/1.8; boiling water, the common point, an example
    [(212, 100.0), (-40, -40.0), (32, 0.0), (75, 23.888889)],
)
def test_fahrenheit(fahrenheit: float, celsius: float) -> None:
    assert parse(f"{fahrenheit} degF", "temperature") == pytest.approx(celsius, abs=1e-6)


def test_kelvin() -> None:
    # NIST SP 811 B.8: t/degC = T/K - 273.15
    assert parse("363.15 K", "temperature") == pytest.approx(90.0, abs=1e-9)


def test_revolutions_per_minute_are_not_radians_or_hertz() -> None:
    # a turn is 2 pi rad by definition; pint counts both as dimensionless, so this is easily lost
    assert parse("750 rpm", "rotation") == pytest.approx(750.0, rel=1e-12)
    assert parse("12.5 revolution/s", "rotation") == pytest.approx(750.0, rel=1e-12)
