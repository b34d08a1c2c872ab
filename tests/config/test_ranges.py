# SPDX-License-Identifier: MIT
"""Limits, delays and stated conditions have a floor and a ceiling. The bounds are common
practice, no source."""

from __future__ import annotations

import math
import re
from pathlib import Path
from types import SimpleNamespace

import pint
import pytest
from config_texts import SETUP, STROKES

from rig.actions.conditions import refuse_apart, typed
from rig.config.files.loading import load_setup, pair_from_texts, setup_from_text
from rig.config.files.reading import Unreadable
from rig.config.ranges import (
    ACCEPT_RANGES,
    ANALOG_RANGES,
    CONDITION_RANGES,
    SETUP_RANGES,
    SHEET_RANGES,
    Range,
    conditions_apart,
    key,
    setup_in_range,
    sheet_in_range,
)
from rig.core.errors import FileProblems, UsageError

ALL = [*SETUP_RANGES.values(), *SHEET_RANGES.values(), *ANALOG_RANGES.values(),
       *ACCEPT_RANGES.values()]  # fmt: skip
FIELDS = [*((field, allowed) for (_, field), allowed in SETUP_RANGES.items()),
          *SHEET_RANGES.items(), *ANALOG_RANGES.items()]  # fmt: skip
UNITS = {
    "_kpa_s": "kPa/s", "_k_w": "K/W", "_kpa": "kPa", "_degc": "degC", "_rpm": "rpm",
    "_ohm": "ohm", "_hz": "Hz", "_s": "s", "_v": "V", "_a": "A", "_mb": "", "duty": "",
}  # fmt: skip
REGISTRY = pint.UnitRegistry()
HELP = Path(__file__).parents[2] / "webui" / "help"
ABSURD = {
    'on_time = "10 s"': 'on_time = "100 d"',
    'readback_delay = "60 ms"': 'readback_delay = "1000 s"',
    'gauge_stale = "500 ms"': 'gauge_stale = "1000 s"',
    'duty_window = "60 s"': 'duty_window = "1 ms"',
    'pressure = "100 psi"': 'pressure = "100 psi"\npressure_rate = "1e9 psi/s"',
}


@pytest.mark.parametrize("written", ABSURD)
def test_an_absurd_limit_is_refused_with_its_range(tmp_path: Path, written: str) -> None:
    """File, key, range and reason stand in the message."""
    name = ABSURD[written].splitlines()[-1].split(" =")[0]
    path = tmp_path / "a.setup.toml"
    path.write_text(SETUP.replace(written, ABSURD[written]))
    with pytest.raises(FileProblems) as refused:
        load_setup(path)
    problems = [p for p in refused.value.problems if p.key == f"limits.{name}"]
    allowed = next(r for (_, field), r in SETUP_RANGES.items() if key(field) == name)
    assert allowed.shown in problems[0].what
    assert allowed.why in problems[0].what
    assert problems[0].file == str(path)


@pytest.mark.parametrize(
    ("written", "absurd", "where"),
    [
        ('period = "100 ms"', 'period = "1 h"', "gauge.period"),
        ('["0 psi", "150 psi"]', '["0 psi", "150e6 psi"]', "gauge.measuring_range"),
        ('["0 psi", "150 psi"]', '["-9000 psi", "150 psi"]', "gauge.measuring_range"),
    ],
)
def test_an_absurd_gauge_is_refused(written: str, absurd: str, where: str) -> None:
    """A slipped digit in a gauge's table would switch off the rules that rest on it."""
    assert written in SETUP
    with pytest.raises(FileProblems) as refused:
        pair_from_texts(SETUP.replace(written, absurd), "a", STROKES, "b")
    assert any(p.key == where and "Outside" in p.what for p in refused.value.problems)


def test_an_absurd_sensor_and_limit_are_refused() -> None:
    """The place in the list stands in the message."""
    analog = (
        '[converter]\ntype = "MCP3208"\nreference = "5 V"\n'
        '[[analog]]\nchannel = "supply_voltage"\ninput = 0\nkind = "voltage"\n'
        'divider_upper = "1e12 ohm"\ndivider_lower = "10000 ohm"\n'
    )
    with pytest.raises(FileProblems) as refused:
        pair_from_texts(SETUP + analog, "a", STROKES, "b")
    assert any("analog" in p.key and "divider_upper" in p.key for p in refused.value.problems)
    accept = '[[accept]]\nfigure = "response"\nmax = "100 h"\n'
    with pytest.raises(FileProblems) as refused:
        pair_from_texts(SETUP, "a", STROKES + accept, "b")
    assert any("accept" in p.key and "60000 ms" in p.what for p in refused.value.problems)


@pytest.mark.parametrize("allowed", ALL)
def test_both_ends_are_inside_and_nan_is_not(allowed) -> None:
    """A little outside, infinite and unknown numbers are refused."""
    low, high = allowed.low * allowed.scale, allowed.high * allowed.scale
    assert allowed.holds(low) and allowed.holds(high)
    assert not allowed.holds(low - 0.001 * (high - low))
    assert not allowed.holds(1.001 * high)
    assert not any(allowed.holds(x) for x in (math.nan, math.inf, -math.inf))


@pytest.mark.parametrize(("field", "allowed"), FIELDS)
def test_a_range_is_in_the_unit_of_its_field(field: str, allowed: Range) -> None:
    """The factor between the unit shown and that of the field's name, by pint; a floor of 10 ms
    taken for one of 10 s would be none."""
    unit = next(UNITS[end] for end in UNITS if field.endswith(end))
    shown = {"%": "percent"}.get(allowed.unit, allowed.unit)
    factor = 1.0 if shown == unit else REGISTRY.Quantity(1, shown).to(unit).magnitude
    assert allowed.scale == pytest.approx(factor)


def outside(allowed: Range) -> list[float]:
    low, high = allowed.low * allowed.scale, allowed.high * allowed.scale
    return [low - 0.01 * (high - low), high + 0.01 * (high - low)]


def test_every_row_is_asked_and_either_end_of_a_pair() -> None:
    for (table, field), allowed in SETUP_RANGES.items():
        good = allowed.high * allowed.scale
        for bad in outside(allowed):
            for value in (bad, (bad, good), (good, bad)):
                setup = SimpleNamespace(**{table: SimpleNamespace(**{field: value})})
                found = [finding.where for finding in setup_in_range(setup)]
                assert found == [(table, key(field))]
    for field, allowed in ANALOG_RANGES.items():
        setup = SimpleNamespace(analog=(object(), SimpleNamespace(**{field: outside(allowed)[0]})))
        found = [finding.where for finding in setup_in_range(setup)]
        assert found == [("analog", 1, key(field))]
    for field, allowed in SHEET_RANGES.items():
        sheet = SimpleNamespace(**{field: outside(allowed)[1]})
        assert [finding.where for finding in sheet_in_range(sheet)] == [(key(field),)]
    for unit, allowed in ACCEPT_RANGES.items():
        for name in ("min", "max", "margin"):
            one = SimpleNamespace(unit=unit, **{f"{name}_value": outside(allowed)[1]})
            sheet = SimpleNamespace(accept=[SimpleNamespace(unit=unit), one])
            assert [found.where for found in sheet_in_range(sheet)] == [("accept", 1, name)]


def test_what_was_refused_for_another_reason_is_not_asked_again() -> None:
    class Refused:
        @property
        def limits(self) -> object:
            raise Unreadable

    assert not list(setup_in_range(Refused()))


def test_conditions_at_the_edge_are_allowed() -> None:
    """At the least base pressure, 30 % from the supply, and without a sheet."""
    setup = SimpleNamespace(coil=SimpleNamespace(supply_voltage_v=10.0))
    sheet = SimpleNamespace(base_pressure_min_kpa=138.0)
    for volt in (7.0, 13.0):
        stated = {"base_pressure": {"value": 138.0}, "supply_voltage": {"value": volt}}
        assert not list(conditions_apart(setup, sheet, stated))
        assert not list(conditions_apart(setup, None, stated))
    for volt in (6.99, 13.01):
        stated = {"supply_voltage": {"value": volt}}
        assert [name for name, _ in conditions_apart(setup, None, stated)] == ["supply_voltage"]


def test_a_stored_setup_is_still_read() -> None:
    """A run of before keeps its setup, whatever it says."""
    text = SETUP.replace('on_time = "10 s"', 'on_time = "100 d"')
    assert setup_from_text(text, "stored").setup.limits.on_time_s == 100 * 86400


@pytest.mark.parametrize(
    ("option", "text"),
    [
        ("supply_voltage", "140 V"),
        ("oil_temperature", "-200 degC"),
        ("base_pressure", "-5 psi"),
        ("idle_speed", "1e9 rpm"),
        ("ambient_temperature", "200 degC"),
    ],
)
def test_an_absurd_condition_is_refused(option: str, text: str) -> None:
    """By the function that terminal and page share."""
    found, wrong = typed({option: text})
    assert not found
    assert CONDITION_RANGES[option].shown in str(wrong[option])


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("base_pressure", 100.0, "base_pressure_min"),
        ("base_pressure", math.nan, "base_pressure_min"),
        ("supply_voltage", 24.0, "coil.supply_voltage"),
        ("supply_voltage", 6.0, "coil.supply_voltage"),
        ("supply_voltage", math.nan, "coil.supply_voltage"),
    ],
)
def test_a_condition_that_contradicts_the_files_is_refused(
    name: str, value: float, said: str
) -> None:
    """Below the sheet's least base pressure (138 kPa), or another supply than 12.6 V."""
    setup, sheet = pair_from_texts(SETUP, "a", STROKES, "b")
    good = {"base_pressure": {"value": 140.0}, "supply_voltage": {"value": 14.4}}
    refuse_apart(setup.setup, sheet.sheet, good)
    with pytest.raises(UsageError, match=said):
        refuse_apart(setup.setup, sheet.sheet, good | {name: {"value": value}})


def test_the_help_lists_every_range() -> None:
    """setup.md and sheet.md say what the table says."""
    setup, sheet = (HELP / "setup.md").read_text(), (HELP / "sheet.md").read_text()
    for (table, field), allowed in SETUP_RANGES.items():
        assert f"| `{table}.{key(field)}` | {allowed.shown} |" in setup
    for field, allowed in ANALOG_RANGES.items():
        assert f"| `analog.{key(field)}` | {allowed.shown} |" in setup
    for allowed in ACCEPT_RANGES.values():
        assert f"| {allowed.shown} |" in sheet.partition("limits of `[[accept]]`")[2]
    for field, allowed in SHEET_RANGES.items():
        assert f"| `{key(field)}` | {allowed.shown} |" in sheet
    rows = {*re.findall(r"^\| `(\w+\.\w+)` \| [-\d.e+]+.* to ", setup, re.MULTILINE)}
    ours = {f"{table}.{key(field)}" for table, field in SETUP_RANGES}
    assert rows == ours | {f"analog.{key(field)}" for field in ANALOG_RANGES}
    rows = {*re.findall(r"^\| `(\w+)` \| [-\d.e+]+ \w+ to ", sheet, re.MULTILINE)}
    assert rows == {key(field) for field in SHEET_RANGES}
    for name, allowed in CONDITION_RANGES.items():
        assert f"| `--{name.replace('_', '-')}` | {allowed.shown} |" in sheet
