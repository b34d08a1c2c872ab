# SPDX-License-Identifier: MIT
"""Pressure units of gauges against NIST SP 811 and against pint."""

import pytest

from rig.config.gauge.units import factor_kpa, table_factor

# NIST Special Publication 811 (2008), Appendix B.8, factors to pascal as printed there (seven
# digits at most; rows marked exact in the source are exact here).
NIST_SP_811 = {
    "psi": 6.894757e3,
    "bar": 1e5,
    "mbar": 1e2,
    "kgf/cm2": 9.80665e4,
    "atm": 1.01325e5,
    "inHg": 3.386389e3,
    "mmHg": 1.333224e2,
    "torr": 1.333224e2,
    "inH2O": 2.490889e2,
    "mmH2O": 9.80665,
}


@pytest.mark.parametrize(("unit", "pascal"), NIST_SP_811.items())
def test_factor_agrees_with_nist_to_its_printed_digits(unit: str, pascal: float) -> None:
    assert factor_kpa(unit) * 1000 == pytest.approx(pascal, rel=5e-7)


# pint's own unit files are independent of the table; names as pint spells them.
PINT = {
    "psi": "psi", "kPa": "kPa", "Pa": "Pa", "hPa": "hPa", "MPa": "MPa", "bar": "bar",
    "mbar": "mbar", "kgf/cm2": "kgf/cm**2", "atm": "atm", "torr": "torr", "mmHg": "mmHg",
    "inHg": "inHg", "inH2O": "inH2O", "mmH2O": "0.1 cmH2O",
}  # fmt: skip


@pytest.mark.parametrize(("unit", "name"), PINT.items())
def test_factor_agrees_with_pint(unit: str, name: str) -> None:
    from rig.core.quantities import registry

    # pint's water column rests on a rounded density; 1e-5 covers that
    expected = registry().Quantity(name).to("kilopascal").magnitude
    tolerance = 1e-5 if "H2O" in unit else 1e-9
    assert table_factor(unit) == pytest.approx(expected, rel=tolerance)
