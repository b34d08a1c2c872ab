# SPDX-License-Identifier: MIT
"""Every refusal of a sheet, alone and with its setup, shows key, what is wrong, what to do."""

from __future__ import annotations

import pytest
from config_texts import HOLD, RAMP, SETUP, STROKES, put, without

from rig.config.files.loading import pair_from_texts, sheet_from_text
from rig.core.errors import FileProblems, Problem

NAME = "a.sheet.toml"
NO_GAUGE = without(put(put(SETUP, "limits.pressure", None), "limits.gauge_stale", None), "gauge")


def problems_of(text: str, setup: str = SETUP) -> tuple[Problem, ...]:
    with pytest.raises(FileProblems) as caught:
        pair_from_texts(setup, "a.setup.toml", text, NAME)
    assert all(problem.file == NAME for problem in caught.value.problems)
    return caught.value.problems


ALONE = [
    (STROKES, "stroke_s", "3", "not known", 'Did you mean "strokes"?'),
    (STROKES, "watch", '"3 s"', "not known", "keys known here: title, settle_wait"),
    (STROKES, "strokes", None, "missing", "strokes = 17"),
    (STROKES, "strokes", '"10"', "whole number is needed", "without quotes"),
    (STROKES, "strokes", "true", "whole number is needed", "without quotes"),
    (STROKES, "strokes", "10.5", "whole number is needed", "like 17"),
    (STROKES, "strokes", "0", "at least 1", "1 or more"),
    (STROKES, "strokes", "1000000", "at most 100000", "100000 or less"),
    (STROKES, "on_time", "0.5", "plain number without its unit", '"250 ms"'),
    (STROKES, "on_time", "nan", "not a finite number", '"250 ms"'),
    (STROKES, "on_time", '"0 s"', "above 0 s", "a value above 0 s"),
    (STROKES, "rest", '"1 psi"', "not a time", "ms, s, min"),
    (STROKES, "base_pressure_min", '"0 psi"', "above 0 kPa", "a value above 0 kPa"),
    (STROKES, "settle_window", '"500 ms"', "no stroke could ever settle", "shorter than on_time"),
    (STROKES, "kind", None, "missing", '"strokes", "hold" or "ramp"'),
    (STROKES, "kind", '"stroke"', "not a kind of sheet", '"strokes", "hold" or "ramp"'),
    (STROKES, "kind", "1", "not a kind of sheet", '"strokes", "hold" or "ramp"'),
    (HOLD, "state", '"on"', "not one of the words", '"energised" or "released"'),
    (HOLD, "watch", None, "missing", 'watch = "250 ms"'),
    (RAMP, "ramps", "101", "at most 100", "100 or less"),
    (RAMP, "high", '"10 psi"', "not above its lower end", "high above low"),
    (RAMP, "high", '"5 psi"', "not above its lower end", "high above low"),
]


@pytest.mark.parametrize(
    ("sheet", "key", "value", "what", "remedy"), ALONE, ids=[f"{r[1]} {r[2]}" for r in ALONE]
)
def test_one_wrong_key_gives_one_problem(
    sheet: str, key: str, value: str | None, what: str, remedy: str
) -> None:
    found = [p for p in problems_of(put(sheet, key, value)) if p.key == key]
    if key == "settle_window":
        found = found[:1]  # on time and rest are the same in this sheet
    (problem,) = found
    assert what.casefold() in problem.what.casefold()
    assert remedy.casefold() in problem.remedy.casefold()


def accept(*lines: str, base: str = STROKES) -> str:
    return base[: base.index("[[accept]]")] + "[[accept]]\n" + "\n".join(lines) + "\n"


ACCEPT = [
    (accept('max = "1 s"'), "figure", "missing", 'figure = "response"'),
    (accept('figure = "respons"', 'max = "1 s"'), "figure", "not one of", "response"),
    (accept('figure = "decay_rate"', 'max = "1 psi/s"'), "figure", '"hold" sheet does', "response"),
    (
        accept('figure = "response"', 'max = "1 s"', base=HOLD),
        "figure",
        'a "strokes" sheet does',
        "decay_rate",
    ),
    (
        accept('figure = "missed"', "max = 0", base=RAMP),
        "figure",
        'a "strokes" sheet does',
        "actuation_pressure, reset_pressure or differential",
    ),
    (
        accept('figure = "response"', 'of = "total"', 'max = "1 s"'),
        "of",
        "makes no sense for response",
        '"each", "mean", "median", "p95" or "tolerance"',
    ),
    (accept('figure = "missed"', 'of = "mean"', "max = 0"), "of", "makes no sense", '"total"'),
    (
        accept('figure = "decay_rate"', 'of = "p95"', 'max = "1 psi/s"', base=HOLD),
        "of",
        "makes no sense",
        '"each"',
    ),
    (accept('figure = "response"', 'of = "average"', 'max = "1 s"'), "of", "not one of", '"mean"'),
    (accept('figure = "response"'), "", "neither max nor min", 'max = "150 ms"'),
    (accept('figure = "missed"'), "", "neither max nor min", "max = 0"),
    (
        accept('figure = "response"', 'max = "10 ms"', 'min = "20 ms"'),
        "min",
        "min is above max",
        "exchange",
    ),
    (accept('figure = "response"', "max = 150"), "max", "without its unit", "between quotes"),
    (accept('figure = "response"', 'max = "20 psi"'), "max", "not a time", "ms, s, min"),
    (accept('figure = "response"', 'max = "-1 ms"'), "max", "below zero", '"150 ms"'),
    (accept('figure = "response"', "max = nan"), "max", "not a finite number", "between quotes"),
    (accept('figure = "bounce"', 'max = "4"'), "max", "is a plain number", "without quotes"),
    (accept('figure = "bounce"', "max = true"), "max", "is a plain number", "without quotes"),
    (accept('figure = "bounce"', "max = nan"), "max", "a finite number", "without quotes"),
    (accept('figure = "bounce"', "max = -1"), "max", "not below zero", "without quotes"),
    (accept('figure = "missed"', f"max = {10**400}"), "max", "a finite number", "like 0"),
    (
        accept('figure = "response"', 'max = "1 s"', 'risk = "60 %"'),
        "risk",
        "too large",
        "or less",
    ),
    (accept('figure = "response"', 'max = "1 s"', "risk = 5"), "risk", "without", "between quotes"),
    (accept('figure = "response"', 'max = "1 s"', "margin = 2"), "margin", "without its unit", ""),
    (accept('figure = "missed"', "max = 0", "margin = 1"), "margin", "are counted", "take margin"),
    (
        accept('figure = "decay_rate"', 'max = "9 psi/s"', 'margin = "-1 psi/s"', base=HOLD),
        "margin",
        "below zero would accept",
        '"2 psi/s"',
    ),
    (
        accept('figure = "response"', 'min = "10 ms"', 'max = "20 ms"', 'margin = "6 ms"'),
        "margin",
        "meet",
        "smaller",
    ),
    (
        accept('figure = "differential"', 'max = "3 psi/s"', base=RAMP),
        "max",
        "not a pressure",
        "psi, kPa",
    ),
    (
        accept('figure = "decay_rate"', 'max = "3 psi"', base=HOLD),
        "max",
        "not a pressure rate",
        "psi/s",
    ),
    (
        accept('figure = "response"', 'max = "1 s"', "max_value = 3"),
        "max_value",
        "not known",
        "max",
    ),
    (accept('figure = "response"', 'max = "1 s"', 'mx = "1 s"'), "mx", "not known", "max"),
    (
        accept('figure = "response"', 'max = "1 s"', 'rest = "1 s"'),
        "rest",
        "not known",
        "at the top, before the first",
    ),
]


@pytest.mark.parametrize(
    ("text", "key", "what", "remedy"), ACCEPT, ids=[f"{r[1]}: {r[2]}" for r in ACCEPT]
)
def test_acceptance_limits_are_checked(text: str, key: str, what: str, remedy: str) -> None:
    (problem,) = problems_of(text)
    assert problem.key == ("accept[1 of 1]" + (f".{key}" if key else ""))
    assert what.casefold() in problem.what.casefold()
    assert remedy.casefold() in problem.remedy.casefold()


def test_an_acceptance_limit_says_which_one_it_is() -> None:
    text = STROKES + '[[accept]]\nfigure = "release"\nmax = "x"\n'
    (problem,) = problems_of(text)
    assert problem.key == "accept[3 of 3].max"
    (problem,) = problems_of(put(STROKES, "accept", "[1]").split("[[accept]]")[0])
    assert (problem.key, problem.value) == ("accept[1 of 1]", "1")
    (problem,) = problems_of(STROKES.split("[[accept]]")[0] + "[accept]\n")
    assert problem.key == "accept"
    assert "[[accept]]" in problem.remedy


WITH_SETUP = [
    (SETUP, put(put(STROKES, "on_time", '"11 s"'), "rest", '"60 s"'), "on_time", "trips at 10 s"),
    (SETUP, put(put(STROKES, "on_time", '"10 s"'), "rest", '"60 s"'), "on_time", "trips at 10 s"),
    (SETUP, put(HOLD, "watch", '"11 s"'), "watch", "11 s at a stretch"),
    (
        SETUP,
        put(put(HOLD, "state", '"released"'), "energise_first", '"12 s"'),
        "energise_first",
        "12 s at a stretch",
    ),
    (
        put(put(SETUP, "limits.on_time", '"1 min"'), "limits.duty", '"100 %"'),
        put(RAMP, "coil", '"energised"'),
        "ramp_time_max",
        "180 s at a stretch",
    ),
    (SETUP, put(STROKES, "rest", '"100 ms"'), "rest", "85 % of every stroke"),
    (SETUP, put(put(STROKES, "strokes", "3"), "rest", '"100 ms"'), "rest", "85 % of every stroke"),
    (
        put(SETUP, "limits.on_time", '"2 min"'),
        put(HOLD, "watch", '"50 s"'),
        "watch",
        "83 % of any 60 s",
    ),
    (
        put(put(SETUP, "limits.on_time", '"50 s"'), "limits.duty_window", '"60 s"'),
        put(put(STROKES, "on_time", '"40 s"'), "rest", '"200 s"'),
        "rest",
        "67 % of any 60 s",
    ),
    (NO_GAUGE, put(RAMP, "coil", '"released"'), "kind", "measures pressure, and the setup has no"),
    (NO_GAUGE, HOLD, "kind", "measures pressure, and the setup has no"),
    (SETUP, put(STROKES, "base_pressure_min", '"120 psi"'), "base_pressure_min", "not below"),
    (SETUP, put(RAMP, "high", '"110 psi"'), "high", "not below the setup's pressure limit"),
    (SETUP, put(RAMP, "high", '"100 psi"'), "high", "not below the setup's pressure limit"),
    (SETUP, put(RAMP, "low", '"-5 psi"'), "low", "would never come"),
]


@pytest.mark.parametrize(
    ("setup", "sheet", "key", "what"), WITH_SETUP, ids=[f"{r[2]}: {r[3]}" for r in WITH_SETUP]
)
def test_a_sheet_must_fit_its_setup(setup: str, sheet: str, key: str, what: str) -> None:
    (problem,) = problems_of(sheet, setup)
    assert problem.key == key
    assert what in problem.what
    assert len(problem.remedy) > 20
    sheet_from_text(sheet, NAME)  # by itself it is fine


@pytest.mark.parametrize("sheet", [STROKES, HOLD, RAMP], ids=["strokes", "hold", "ramp"])
def test_the_good_sheets_are_good(sheet: str) -> None:
    pair_from_texts(SETUP, "a.setup.toml", sheet, NAME)


def test_a_duty_limit_of_100_percent_lets_the_coil_stay_on() -> None:
    setup = put(put(SETUP, "limits.on_time", '"10 min"'), "limits.duty", '"100 %"')
    pair_from_texts(setup, "a.setup.toml", put(RAMP, "coil", '"energised"'), NAME)


def test_a_wrong_kind_does_not_hide_the_rest() -> None:
    text = put(put(put(HOLD, "kind", '"holt"'), "watch", "8"), "stat", '"x"')
    assert {p.key for p in problems_of(text)} == {"kind", "watch", "stat"}
    text = put(put(RAMP, "kind", None), "high", '"1 psi"')  # told from its keys
    assert {p.key for p in problems_of(text)} == {"kind", "high"}


def test_problems_of_both_files_come_together() -> None:
    with pytest.raises(FileProblems) as caught:
        pair_from_texts(
            put(SETUP, "coil.fuse", '"0.1 A"'),
            "a.setup.toml",
            put(put(STROKES, "rest", "1"), "on_time", '"20 s"'),
            NAME,
        )
    found = {(p.file, p.key) for p in caught.value.problems}
    assert found == {("a.setup.toml", "coil.fuse"), (NAME, "rest"), (NAME, "on_time")}


def test_min_may_equal_max() -> None:
    sheet_from_text(accept('figure = "bounce"', "max = 2", "min = 2"), NAME)


def test_limits_are_in_the_unit_of_the_results() -> None:
    limits = sheet_from_text(STROKES, NAME).sheet.accept
    assert (limits[0].min_value, limits[0].max_value, limits[0].unit) == (10.0, 150.0, "ms")
    assert (limits[1].min_value, limits[1].max_value, limits[1].of) == (None, 0.0, "total")
    (rate,) = sheet_from_text(HOLD, NAME).sheet.accept
    assert rate.max_value == pytest.approx(2 * 6.894757293168361)  # NIST SP 811: psi to kPa
    assert rate.unit == "kPa/s"
