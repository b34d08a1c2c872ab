# SPDX-License-Identifier: MIT
"""The plan from desk to bench: the same models back, without pint, and checked once more."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

import pytest
from config_texts import HOLD, RAMP, SETUP, STROKES

from rig.config.files.loading import setup_from_text, sheet_from_text
from rig.config.files.resolved import dump, setup_from_plan, sheet_from_plan
from rig.core.errors import FileProblems

SETUP_MODEL = setup_from_text(SETUP, "x").setup


def through_json(plan: dict[str, Any]) -> dict[str, Any]:
    result: dict[str, Any] = json.loads(json.dumps(plan, allow_nan=False))
    return result


def test_setup_comes_back() -> None:
    plan = through_json(dump(SETUP_MODEL))
    assert plan["coil"]["supply_voltage_v"] == 12.6
    assert setup_from_plan(plan) == SETUP_MODEL


@pytest.mark.parametrize("text", [STROKES, HOLD, RAMP], ids=["strokes", "hold", "ramp"])
def test_sheet_comes_back(text: str) -> None:
    sheet = sheet_from_text(text, "x").sheet
    back = sheet_from_plan(through_json(dump(sheet)), SETUP_MODEL)
    assert back == sheet
    assert type(back) is type(sheet)
    assert back.accept[0].max_value == sheet.accept[0].max_value


def test_whole_numbers_may_lose_their_point_on_the_way() -> None:
    plan = through_json(dump(SETUP_MODEL))
    plan["coil"]["fuse_a"] = 2
    assert setup_from_plan(plan) == SETUP_MODEL


def test_building_models_from_a_plan_loads_no_pint() -> None:
    plans = [dump(SETUP_MODEL), dump(sheet_from_text(STROKES, "x").sheet)]
    code = (
        "import json, sys\n"
        "from rig.config.files.resolved import setup_from_plan, sheet_from_plan\n"
        "setup, sheet = json.load(sys.stdin)\n"
        "built = setup_from_plan(setup)\n"
        "sheet_from_plan(sheet, built)\n"
        "print(built.coil_current_a, 'pint' in sys.modules, 'numpy' in sys.modules)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        input=json.dumps(plans),
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == [str(SETUP_MODEL.coil_current_a), "False", "False"]


@pytest.mark.parametrize("bad", [None, True, "12 V", float("nan"), float("inf"), [1.0], 10**400])
def test_a_damaged_plan_is_refused(bad: object) -> None:
    plan = dump(SETUP_MODEL)
    plan["coil"]["supply_voltage_v"] = bad
    with pytest.raises(FileProblems, match="plan of the setup"):
        setup_from_plan(plan)
    plan = dump(sheet_from_text(STROKES, "x").sheet)
    plan["on_time_s"] = bad
    with pytest.raises(FileProblems, match="plan of the sheet"):
        sheet_from_plan(plan)


def test_an_unknown_field_of_a_plan_is_refused() -> None:
    with pytest.raises(FileProblems, match="force"):
        setup_from_plan({**dump(SETUP_MODEL), "force": True})


def test_a_plan_that_breaks_a_rule_is_refused() -> None:
    weak = dump(SETUP_MODEL)
    weak["coil"]["fuse_a"] = 1.0
    sheet = dump(sheet_from_text(STROKES, "x").sheet)
    with pytest.raises(FileProblems, match="more than 75 %"):
        sheet_from_plan(sheet, setup_from_plan(weak))  # alone it may still switch a rig off
    reversed_range = dump(SETUP_MODEL)
    reversed_range["gauge"]["measuring_range_kpa"] = [600.0, 0.0]
    with pytest.raises(FileProblems, match="reversed"):
        setup_from_plan(reversed_range)
    long_window = {**sheet, "settle_window_s": 0.5}
    with pytest.raises(FileProblems, match="could ever settle"):
        sheet_from_plan(long_window)
    plan = dump(sheet_from_text(STROKES, "x").sheet)
    plan["on_time_s"] = 11.0
    plan["rest_s"] = 60.0
    sheet_from_plan(plan)
    with pytest.raises(FileProblems, match="trips at 10 s"):
        sheet_from_plan(plan, SETUP_MODEL)
