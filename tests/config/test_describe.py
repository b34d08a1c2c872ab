# SPDX-License-Identifier: MIT
"""Setups and sheets as rows of a table, and the cautions that go with them."""

from __future__ import annotations

import pytest
from config_texts import HOLD, RAMP, SETUP, STROKES, put, without

from rig.config.files.loading import pair_from_texts, setup_from_text, sheet_from_text
from rig.config.setup.cautions import cautions, sheet_cautions
from rig.config.setup.describe import accept_text, describe, describe_sheet
from rig.config.setup.model import Setup
from rig.config.sheet.model import Accept
from rig.core.message_ids import Message

MADE = setup_from_text(SETUP, "x").setup


def rows(setup: Setup) -> dict[str, tuple[str, str]]:
    return {row.key: (row.value, row.unit) for row in describe(setup)}


def test_every_key_has_a_row_in_a_unit_a_person_reads() -> None:
    found = rows(MADE)
    assert found["coil.supply_voltage"] == ("12.6", "V")
    assert found["relay.operate_delay"] == ("10", "ms")
    assert found["limits.on_time"] == ("10", "s")
    assert found["limits.duty"] == ("60", "%")
    assert found["gauge.measuring_range"] == ("0 to 1034.2", "kPa")
    assert found["switch.closed_reads"] == ("-", "")
    assert found["limits.gauge_stale"] == ("500", "ms")
    assert found["relay.line"] == ("17", "")


def test_a_default_that_depends_on_other_keys_is_worked_out() -> None:
    slow = put(put(SETUP, "limits.gauge_stale", None), "gauge.period", '"1 s"')
    assert rows(setup_from_text(slow, "x").setup)["limits.gauge_stale"] == ("3", "s")


def test_a_hidden_fault_stays_hidden() -> None:
    assert not any(key.startswith("simulated") for key in rows(MADE))


def test_what_is_not_wired_is_one_row() -> None:
    text = without(put(put(SETUP, "limits.pressure", None), "limits.gauge_stale", None), "gauge")
    found = rows(setup_from_text(without(text, "readback"), "x").setup)
    assert found["gauge"] == found["readback"] == ("-", "")


@pytest.mark.parametrize(
    ("text", "key", "value", "unit"),
    [
        (STROKES, "on_time", "500", "ms"),
        (STROKES, "accept[1 of 2]", "response (mean) at least 10 ms and at most 150 ms", ""),
        (STROKES, "accept[2 of 2]", "missed (total) at most 0", ""),
        (HOLD, "accept[1 of 1]", "decay rate (each) at most 13.79 kPa/s", ""),
        (RAMP, "high", "275.79", "kPa"),
    ],
)
def test_rows_of_a_sheet(text: str, key: str, value: str, unit: str) -> None:
    found = {row.key: row for row in describe_sheet(sheet_from_text(text, "x").sheet)}
    assert (found[key].value, found[key].unit) == (value, unit)
    assert not any("max_value" in row for row in found)


CAUTIONS = [
    (SETUP, "contact-learned", False),
    (put(SETUP, "switch.contact", '"find"'), "contact-learned", True),
    (SETUP, "no-readback", False),
    (without(SETUP, "readback"), "no-readback", True),
    (SETUP, "limit-near-expected", False),
    (put(SETUP, "gauge.accuracy", '"25 psi"'), "limit-near-expected", True),
    (put(SETUP, "limits.duty", '"100 %"'), "duty-never-trips", True),
    (without(put(SETUP, "backend", '"board"'), "simulated"), "no-safety-function", True),
    (without(put(SETUP, "backend", '"board"'), "simulated"), "hot-oil", True),
    (
        put(without(put(SETUP, "backend", '"board"'), "simulated"), "medium", '"air"'),
        "compressed-air",
        True,
    ),
]


@pytest.mark.parametrize(("text", "name", "there"), CAUTIONS)
def test_cautions_of_a_setup(text: str, name: str, there: bool) -> None:
    assert given(name, cautions(setup_from_text(text, "x").setup)) == there


def given(name: str, found: list[Message]) -> bool:
    return f"caution.{name}" in {one.id for one in found if one.words}


NO_GAUGE = without(put(put(SETUP, "limits.pressure", None), "limits.gauge_stale", None), "gauge")


@pytest.mark.parametrize(
    ("setup", "sheet", "there"),
    [
        (SETUP, STROKES, False),
        (NO_GAUGE, STROKES, True),
        (NO_GAUGE, put(STROKES, "base_pressure_min", None), False),
    ],
)
def test_a_base_pressure_without_a_gauge_is_stated_by_a_person(
    setup: str, sheet: str, there: bool
) -> None:
    made, wanted = pair_from_texts(setup, "x.setup.toml", sheet, "x.sheet.toml")
    assert wanted is not None
    assert given("base-pressure-by-hand", sheet_cautions(made.setup, wanted.sheet)) == there


SHEET_CAUTIONS = [
    (STROKES, "on-time-near-limit", False),
    (put(put(STROKES, "on_time", '"9.9 s"'), "rest", '"20 s"'), "on-time-near-limit", True),
    (put(put(STROKES, "strokes", "200"), "on_time", '"730 ms"'), "duty-near-limit", True),
    (put(put(STROKES, "on_time", '"50 ms"'), "settle_window", '"5 ms"'), "readback-too-slow", True),
    (STROKES, "no-limits", False),
    (STROKES.split("[[")[0], "no-limits", True),
    (STROKES, "base-pressure-not-shown", False),
    (put(STROKES, "base_pressure_min", None), "base-pressure-not-shown", True),
]


@pytest.mark.parametrize(("text", "name", "there"), SHEET_CAUTIONS)
def test_cautions_of_a_sheet(text: str, name: str, there: bool) -> None:
    assert given(name, sheet_cautions(MADE, sheet_from_text(text, "x").sheet)) == there


def test_an_acceptance_limit_names_a_risk_and_margin_of_its_own() -> None:
    plain = Accept.model_validate({"figure": "response", "of": "mean", "max": "80 ms"})
    assert accept_text(plain) == "response (mean) at most 80 ms"
    own = plain.model_validate(
        {"figure": "response", "of": "mean", "max": "80 ms", "risk": "1 %", "margin": "2 ms"}
    )
    assert accept_text(own) == "response (mean) at most 80 ms, risk 1 %, margin 2 ms"
