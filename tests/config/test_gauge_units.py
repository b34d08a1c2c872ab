# SPDX-License-Identifier: MIT
import subprocess
import sys

import pytest

from rig.config.gauge.units import UnitError, factor_kpa, table_factor

PSI = 6.894757293168361


@pytest.mark.parametrize(
    ("text", "factor"),
    [
        ("psi", PSI), ("PSI", PSI), ("psig", PSI), ("psi(g)", PSI), (" psi ", PSI),
        ("bar", 100.0), ("barg", 100.0), ("bar(g)", 100.0), ("BAR", 100.0),
        ("MPa", 1000.0), ("MPA", 1000.0), ("kPag", 1.0),
        ("kgf/cm^2", 98.0665), ("kgf/cm\xb2", 98.0665), ("kgf/cm\xc2\xb2", 98.0665),
        ("kg/cm2", 98.0665),
    ],
)  # fmt: skip
def test_units_as_displays_write_them(text: str, factor: float) -> None:
    assert table_factor(text) == factor
    assert factor_kpa(text) == factor


def test_a_unit_the_table_lacks_is_left_to_pint() -> None:
    assert table_factor("N/m^2") is None
    assert factor_kpa("N/m^2") == pytest.approx(0.001)


@pytest.mark.parametrize("text", ["psia", "bara", "bar(a)", "kPa abs", "mbara"])
def test_absolute_pressure_is_refused(text: str) -> None:
    assert table_factor(text) is None
    with pytest.raises(UnitError, match="absolute pressure"):
        factor_kpa(text)


def test_millipascal_is_not_taken_for_megapascal() -> None:
    assert table_factor("mPa") is None
    with pytest.raises(UnitError, match='write "MPa"'):
        factor_kpa("mPa")


@pytest.mark.parametrize("text", ["", "1", "-1 psi", "psi psi", "degC", "kPa/s", "nonsense"])
def test_anything_else_is_refused_with_the_known_units(text: str) -> None:
    with pytest.raises(UnitError, match="write one of psi, kPa, bar"):
        factor_kpa(text)


def test_units_of_gauges_never_load_pint() -> None:
    code = (
        "import sys; from rig.config.gauge.pattern import parse_pattern;"
        "from rig.config.gauge.units import table_factor;"
        "parse_pattern('{pressure} {unit}', 'kgf/cm2'); table_factor('garbage');"
        "sys.exit('pint' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
