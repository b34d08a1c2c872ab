# SPDX-License-Identifier: MIT
"""Quantities as people write them, and everything that is not one."""

from __future__ import annotations

import math
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.core.quantities import DIMENSIONS, SYMBOLS, UNITS, QuantityError, convert, parse, registry

WRITTEN = [
    ("45 psi", "pressure", 310.26407819257633),
    ("45psi", "pressure", 310.26407819257633),
    ("  45 PSI ", "pressure", 310.26407819257633),
    ("45 psig", "pressure", 310.26407819257633),
    ("3.5 bar", "pressure", 350.0),
    ("350 kPa", "pressure", 350.0),
    (".5 MPa", "pressure", 500.0),
    ("5e-1 MPa", "pressure", 500.0),
    ("-10 kPa", "pressure", -10.0),
    ("250 ms", "time", 0.25),
    ("2 min", "time", 120.0),
    ("100 us", "time", 1e-4),
    ("5 A", "current", 5.0),
    ("400 mA", "current", 0.4),
    ("14.5 ohm", "resistance", 14.5),
    ("14.5 Ω", "resistance", 14.5),
    ("14.5 Ohm", "resistance", 14.5),
    ("60 %", "fraction", 0.6),
    ("60%", "fraction", 0.6),
    ("0.6", "fraction", 0.6),
    ("90 degC", "temperature", 90.0),
    ("212 degF", "temperature", 100.0),
    ("20 psi/min", "pressure_rate", 20 * 6.894757293168361 / 60),
    ("73 cSt", "viscosity", 73.0),
    ("750 rpm", "rotation", 750.0),
]


@pytest.mark.parametrize(("text", "dimension", "value"), WRITTEN)
def test_as_people_write_them(text: str, dimension: str, value: float) -> None:
    assert parse(text, dimension) == pytest.approx(value, rel=1e-12)


REFUSED = [
    ("", "not a number with a unit", '"250 ms"'),
    ("ms", "not a number with a unit", '"250 ms"'),
    ("250", "has no unit", '"250 ms"'),
    ("250 psi", "not a time", "ms, s, min, us"),
    ("250 m", "not a time", "ms, s, min, us"),
    ("250 MS", "not a time", 'the unit as "ms"'),
    ("250 msec of it", "not a known unit", "ms, s, min, us"),
    ("nan ms", "not a number with a unit", '"250 ms"'),
    ("inf s", "not a number with a unit", '"250 ms"'),
    ("1_000 ms", "not a number with a unit", '"250 ms"'),
    ("1,5 s", "not a number with a unit", "decimal point, not a comma"),
    ("1e999 s", "not a finite number", '"250 ms"'),
    ("1e308 min", "not a finite number", '"250 ms"'),
    ("٣ s", "not a number with a unit", '"250 ms"'),
    ("--5 s", "not a number with a unit", '"250 ms"'),
    ("5 5 s", "not a number with a unit", '"250 ms"'),
    ("5 s**9**9**9", "not a known unit", "ms, s, min, us"),
    ("5 s**99", "not a known unit", "ms, s, min, us"),
    ("5 __import__('os')", "not a number with a unit", '"250 ms"'),
    ("5 s; s", "not a known unit", "ms, s, min, us"),
    ("5 " + "s " * 100, "not a number with a unit", '"250 ms"'),
]


@pytest.mark.parametrize(("text", "what", "remedy"), REFUSED, ids=[row[0][:20] for row in REFUSED])
def test_everything_else_is_refused_in_words(text: str, what: str, remedy: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse(text, "time")
    assert what in caught.value.what
    assert remedy in caught.value.remedy
    assert str(caught.value) == f"{caught.value.what}; {caught.value.remedy}"


@pytest.mark.parametrize(
    ("text", "remedy"),
    [
        ("45 psia", "gauge pressure"),
        ("45 bara", "gauge pressure"),
        ("45 kpa", 'the unit as "kPa"'),
        ("45 kPag", 'the unit as "kPa"'),
        ("5 kg/cm2", 'the unit as "kgf/cm^2"'),
        ("5 A", "psi, kPa, bar"),
    ],
)
def test_the_pressure_unit_that_was_meant(text: str, remedy: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse(text, "pressure")
    assert remedy in caught.value.remedy


def test_every_example_and_every_unit_named_in_messages_can_be_written() -> None:
    assert set(SYMBOLS) == set(UNITS) == set(DIMENSIONS)
    for dimension, (_, example) in DIMENSIONS.items():
        assert math.isfinite(parse(example, dimension))
        for unit in UNITS[dimension]:
            assert math.isfinite(parse(f"1 {unit}", dimension))
        if SYMBOLS[dimension]:  # what is printed beside a number is what the number is held in
            assert parse(f"2 {SYMBOLS[dimension]}", dimension) == pytest.approx(2, rel=1e-12)


def test_the_factors_of_the_units_named_are_those_of_pint() -> None:
    for dimension, units in UNITS.items():
        wanted = DIMENSIONS[dimension][0]
        for unit, factor in units.items():
            one = registry().Quantity(1.0, unit.replace("%", "percent"))
            if factor is None:  # an offset: left to pint
                assert registry().Quantity(0.0, unit).to(wanted).magnitude != 0.0
            else:
                assert one.to(wanted).magnitude == pytest.approx(factor, rel=4e-16, abs=0)


NO_PINT = """
import sys
from pathlib import Path
from rig.config.files.loading import load_pair
load_pair(Path("demo/workshop.setup.toml"), Path("demo/workshop.sheet.toml"))
assert "pint" not in sys.modules
"""


def test_the_files_of_the_demo_are_read_without_pint() -> None:
    subprocess.run([sys.executable, "-c", NO_PINT], check=True, cwd=Path(__file__).parents[2])


@given(st.text(max_size=90), st.sampled_from(sorted(DIMENSIONS)))
def test_any_text_is_a_finite_number_or_refused(text: str, dimension: str) -> None:
    try:
        assert math.isfinite(parse(text, dimension))
    except QuantityError as error:
        assert error.what
        assert error.remedy


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e9, max_value=1e9))
def test_numbers_keep_their_value(value: float) -> None:
    assert parse(f"{value!r} kPa", "pressure") == pytest.approx(value, rel=1e-12, abs=1e-300)


def test_convert_takes_a_number_and_a_unit() -> None:
    assert convert(2.0, "bar", "pressure") == pytest.approx(200.0)
    with pytest.raises(QuantityError):
        convert(2.0, "s", "pressure")
    with pytest.raises(QuantityError):
        convert(math.nan, "bar", "pressure")


def test_importing_the_module_loads_no_pint() -> None:
    code = "import sys, rig.core.quantities; print('pint' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
