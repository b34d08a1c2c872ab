# SPDX-License-Identifier: MIT
"""The record of a commissioning: what it counts for, how long, and what an earlier one lacks."""

from __future__ import annotations

import datetime
import json
import math
from pathlib import Path

import pytest
from commission_parts import DAY, ROOT, TEXT, WORKSHOP, made, rig, state

from rig.actions.commission import record
from rig.actions.commission.conduct import STEPS
from rig.actions.commission.record import PASSED, Measured, StepResult
from rig.actions.commission.step import value
from rig.config.dated import months_after
from rig.config.files.loading import load_setup, setup_from_text
from rig.config.setup.model import Setup


@pytest.fixture
def setup() -> Setup:
    return load_setup(WORKSHOP).setup


def test_a_rig_without_a_record_is_not_commissioned(setup: Setup) -> None:
    assert state(setup) == "not commissioned"


def test_a_record_counts_from_its_instant_to_its_due_date(setup: Setup) -> None:
    record.save(made(setup))
    assert state(setup, 999.0) == "not commissioned"
    assert state(setup) == "commissioned"
    assert state(setup, day=datetime.date(2027, 3, 1)) == "commissioned"
    assert state(setup, day=datetime.date(2027, 3, 2)) == "out of date"


@pytest.mark.parametrize("result", ["failed", "left out"])
def test_a_record_with_a_step_not_passed_commissions_nothing(setup: Setup, result: str) -> None:
    record.save(made(setup))
    record.save(made(setup, PASSED, result, utc_s=1500.0))
    assert state(setup) == "not commissioned"
    assert state(setup, 1400.0) == "commissioned"


@pytest.mark.parametrize(
    ("old", "new", "same"),
    [
        ('feed_side = "supply"', 'feed_side = "ground"', False),
        ("line = 22", "line = 23", False),
        ('contact = "normally open"', 'contact = "normally closed"', False),
        ('"0.5 psi"', '"0.6 psi"', False),
        ('pressure = "80 psi"', 'pressure = "81 psi"', True),
        ("seed = 7", "seed = 8", True),
        ('title = "Invented', 'title = "Another invented', True),
    ],
)
def test_only_a_change_of_what_is_wired_counts(old: str, new: str, same: bool) -> None:
    assert old in TEXT
    before, after = (setup_from_text(text, "x").setup for text in (TEXT, TEXT.replace(old, new)))
    record.save(made(before))
    assert state(after) == ("commissioned" if same else "changed")


def test_a_record_that_cannot_be_read_is_said(setup: Setup) -> None:
    record.save(made(setup)).write_text("{}")
    assert state(setup) == "unknown"
    assert rig("commission", str(WORKSHOP), "--show").exception


def test_due_dates_end_with_the_month() -> None:
    assert months_after(datetime.date(2028, 1, 31), 1) == datetime.date(2028, 2, 29)
    assert months_after(datetime.date(2026, 12, 31), 2) == datetime.date(2027, 2, 28)
    assert months_after(datetime.date(2026, 11, 27), 12) == datetime.date(2027, 11, 27)


def test_a_value_that_is_not_known_holds_no_limit() -> None:
    assert not value("x", float("nan"), "ms", most=1).held
    assert not value("x", 1.1, "ms", most=1).held
    assert not value("x", 0.9, "ms", least=1).held
    assert value("x", 1.0, "ms", least=1, most=1).held
    assert Measured(name="x", value=None, unit="").held  # for information only


def test_an_emulated_board_or_a_missing_step_commissions_no_board() -> None:
    board = load_setup(ROOT / "hardware" / "bench.setup.toml").setup
    for source, expected in (("emulated board", "not commissioned"), ("board", "commissioned")):
        record.save(made(board, source=source))
        assert state(board) == expected
    whole = made(board, source="board")
    record.save(whole.model_copy(update={"steps": whole.steps[:-1]}))
    assert state(board) == "not commissioned"


def test_counts_are_whole_and_values_keep_four_figures() -> None:
    assert value("n", 50.0, "", least=50).words == "50, at least 50"
    assert value("n", 12345.0, "").words == "12345"
    assert value("t", 6.03912, "ms", most=10.0).words == "6.039 ms, at most 10"
    assert value("t", math.nan, "ms", least=-0.5, most=0.5).words == (
        "not known ms, at least -0.5, at most 0.5"
    )


def test_no_record_shows_a_count_with_digits_after_its_point(setup: Setup) -> None:
    step = StepResult(id="relay", title="Relay", how="", limit="", result=PASSED, words="",
                      measured=(value("operations that followed", 50, "", least=50),))  # fmt: skip
    record.save(made(setup).model_copy(update={"steps": (step,)}))
    shown = rig("commission", str(WORKSHOP), "--show").stdout
    assert "operations that followed\t50, at least 50\n" in shown


def test_another_setups_record_is_not_shown_as_this_ones(setup: Setup, tmp_path: Path) -> None:
    other = tmp_path / "other.setup.toml"
    other.write_text(TEXT.replace("line = 22", "line = 23"))
    record.save(made(setup, setup_name="shop/workshop.setup.toml", due=datetime.date(2999, 1, 1)))
    own = rig("commission", str(WORKSHOP), "--show")
    assert own.exit_code == 0
    assert "does not hold" not in own.output
    shown = rig("commission", str(other), "--show")
    assert shown.exit_code == 5
    assert shown.stdout.startswith(
        f"This record does not hold for {other}: wiring changed since the commissioning of "
        "2026-03-01 with workshop.setup.toml."
    )
    as_json = rig("commission", str(other), "--show", "--json")
    assert "does not hold" in as_json.stderr
    assert json.loads(as_json.stdout)["result"] == PASSED


def test_a_record_of_an_earlier_program_says_why_it_does_not_count(setup: Setup) -> None:
    path = record.save(made(setup, software="solenoid-rig 0.1"))
    shape = json.loads(path.read_text())
    del shape["finished"]
    path.write_text(json.dumps(shape))
    shown = rig("commission", str(WORKSHOP), "--show")
    assert shown.exit_code == 3
    assert "of an earlier program (solenoid-rig 0.1), which did not note" in shown.stdout
    assert state(setup) == "not commissioned"


def test_a_step_that_an_earlier_program_did_not_have_is_named(setup: Setup) -> None:
    whole = made(setup, software="solenoid-rig 0.1")
    record.save(whole.model_copy(update={"steps": whole.steps[:-1]}))
    found = record.standing(setup, 2000.0, DAY)
    assert found is not None
    assert found["words"] == (
        f'the commissioning of {DAY}, by solenoid-rig 0.1, lacks "{STEPS[-1].title}"'
    )
