# SPDX-License-Identifier: MIT
"""Hidden faults of the simulated rig that let a run finish: the valve is never rejected before the
chain in front of it was shown, and the next check begins in front of the valve.

The order of the places is common practice, no source.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from setups import workshop_sheet

from rig.bench.interlock import coil_and_program_rules, sensor_rules
from rig.bench.interlock.registry import RULES, after_trip
from rig.cli.main import cli
from rig.cli.terminal.summary import summary_lines
from rig.core.errors import UsageError

DEMO = Path(__file__).parents[2] / "demo"
STATED = ("--supply-voltage", "12.6 V", "--base-pressure", "40 psi")
PROVED = (*STATED, "--proved", "coil, switch")
READBACK = "[readback]\nline = 27\n"
LAST = ("valve", "spool", "inlet screen", "drain")

CASES = [
    # fault, what is stated, with read-back, verdict, what holds for the valve
    ("none", (), True, "conforms", "conforms"),
    ("low oil pressure", (), True, "undecided", "not_judged"),
    ("cold oil", (), True, "does_not_conform", "not_judged"),
    ("open coil", (), True, "undecided", "not_judged"),
    ("open coil", STATED, True, "undecided", "not_judged"),
    ("switch stuck open", STATED, True, "undecided", "not_judged"),
    ("switch stuck closed", STATED, False, "undecided", "not_judged"),
    ("contact welded", STATED, False, "undecided", "not_judged"),
    ("fuse open", STATED, False, "undecided", "not_judged"),
]


def done(tmp_path, monkeypatch, fault, stated, readback=True):
    monkeypatch.setenv("RIG_DATA", str(tmp_path / "data"))
    setup = (DEMO / "workshop.setup.toml").read_text()
    assert READBACK in setup
    (tmp_path / "x.setup.toml").write_text(setup if readback else setup.replace(READBACK, ""))
    (tmp_path / "x.sheet.toml").write_text(workshop_sheet(6))
    files = [str(tmp_path / "x.setup.toml"), str(tmp_path / "x.sheet.toml")]
    options = ("--fast", "--valve", "V", "--seed", "7", "--fault", fault, "--json", *stated)
    return CliRunner().invoke(cli, ["run", *files, *options])


@pytest.mark.parametrize(("fault", "stated", "readback", "verdict", "valve"), CASES)
def test_a_fault_in_front_of_the_valve_never_rejects_it(
    tmp_path, monkeypatch, fault, stated, readback, verdict, valve
):
    ran = done(tmp_path, monkeypatch, fault, stated, readback)
    shape = json.loads(ran.stdout)
    assert shape["verdict"]["result"] == verdict, shape["verdict"]["why"]
    assert shape["of_the_valve"]["result"] == valve, shape["of_the_valve"]
    first = shape["verdict"]["next_check"]
    if fault == "none":
        assert first is None
        assert "supply with the coil on" in shape["of_the_valve"]["words"].split("Not shown")[1]
        return
    assert first and not first.startswith(LAST), first
    word = "Do first" if fault in ("contact welded", "cold oil") else "Look first at"
    assert word in shape["of_the_valve"]["words"]
    if fault == "contact welded":
        assert shape["verdict"]["why"].startswith("The switch stayed on after release in")
        assert first.startswith("measure at the coil or open the mushroom stop")
        assert f"Do first: {first}." in shape["of_the_valve"]["words"]
        assert first not in shape["of_the_valve"]["reason"]
        assert sum(first in line for line, _ in summary_lines(shape)) == 1  # said once
    elif fault == "open coil" and stated:
        assert shape["verdict"]["next_caution"].startswith("Engine off. ")
        assert "Nothing electrical is touched before this" in shape["verdict"]["next_caution"]


def test_missed_strokes_reject_where_a_person_proved_the_chain(tmp_path, monkeypatch):
    ran = done(tmp_path, monkeypatch, "spool stuck off", PROVED)
    assert ran.exit_code == 1, ran.stdout
    assert json.loads(ran.stdout)["verdict"]["result"] == "does_not_conform"


def test_what_cannot_be_proved_is_refused_by_name(tmp_path, monkeypatch):
    ran = done(tmp_path, monkeypatch, "none", ("--proved", "coil, swich"))
    assert isinstance(ran.exception, UsageError)
    assert "swich" in str(ran.exception) and "base pressure" in str(ran.exception)


def test_every_rule_that_latches_has_its_first_check():
    latching = [rule for rule in RULES if rule.action == "trip"]
    assert len(latching) >= 22 and all(rule.first for rule in latching)
    for rule in (sensor_rules.COIL_CURRENT, coil_and_program_rules.READBACK):
        assert after_trip(rule).words.startswith("open the mushroom stop, then measure")
    assert after_trip("something new").id == "advice.something-new"
    assert after_trip("something new").words.endswith("then `rig clear`")


def test_a_pass_names_what_is_odd_against_the_history_of_this_valve(tmp_path, monkeypatch):
    first = json.loads(done(tmp_path, monkeypatch, "none", ()).stdout)
    later = json.loads(done(tmp_path, monkeypatch, "weak return spring:0.5", ()).stdout)
    assert first["of_the_valve"]["result"] == later["of_the_valve"]["result"] == "conforms"
    assert "release to the first edge" not in first["of_the_valve"]["words"]
    assert "in run 1" in later["of_the_valve"]["words"].split("Odd all the same")[1]


def test_a_tripped_run_has_one_next_step_and_figures_of_whole_strokes(tmp_path, monkeypatch):
    shape = json.loads(done(tmp_path, monkeypatch, "oil pressure surge", ()).stdout)
    assert shape["trip"]["rule"] == "over-pressure"
    assert "2 of 6 strokes were completed." in shape["verdict"]["why"]
    found = [stroke["response_ms"] for stroke in shape["strokes"]]
    assert len(found) == 3 and None not in found  # as recorded, the one that was cut too
    told = shape["summary"]["response_ms"]
    assert (told["n"], told["max"]) == (2, max(found[:2]))
    assert told["mean"] == pytest.approx(sum(found[:2]) / 2, abs=1e-5)
    assert shape["trip"]["id"] == "trip.over-pressure"
    assert shape["verdict"]["next_check_id"] == "advice.over-pressure"
    assert shape["verdict"]["next_check"] == after_trip("over-pressure").words
    assert shape["of_the_valve"]["words"] == "The valve is not judged: the run was tripped."
    lines = [line for line, _ in summary_lines(shape)]
    assert "oil level" not in " ".join(lines)
    assert sum(line.startswith(("First: ", "Then: ")) for line in lines) == 1, lines
