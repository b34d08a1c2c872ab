# SPDX-License-Identifier: MIT
"""Situations as a person meets them: each cause, with a gauge and without, over several seeds.

Each must end in one of three ways: the cause is clear and its part is right; or it is said that the
cause cannot be told, with a check that comes next in the trade's order; never silence, never the
wrong part. The order of first steps is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest
from seen_runs import good, run_with

from rig.actions.judge_run import judged_json
from rig.analysis.verdict.decision_rule import UNDECIDED
from rig.analysis.verdict.verdict import Sentence, Verdict
from rig.config.plant.fault_names import FaultName
from rig.diagnosis.diagnose import diagnose
from rig.diagnosis.knowledge.loading import load_knowledge
from rig.diagnosis.model import Diagnosis
from rig.results.run_json import NOTHING_KNOWN

KNOWN = load_knowledge()
SEEDS, ALL_SEEDS = (7, 8, 9), range(7, 13)
WIRINGS = ("gauge behind", "switch only")
REFUSED = {
    ("driven by the vehicle", "gauge behind"),
    ("drive on the wrong side", "gauge behind"),
    ("read-back inverted", "gauge behind"),
}
"""Here the rig refuses to arm and names the read-back: there is no run to diagnose."""

CHEAP = 15.0
"""Minutes: a first step takes no part off."""


def diagnosed(fault: str, wiring: str, seed: int) -> Diagnosis | None:
    run = run_with(fault, wiring, seed)
    return None if run is None else diagnose(KNOWN, [run], None, good(wiring))


@pytest.mark.parametrize("wiring", WIRINGS)
@pytest.mark.parametrize("fault", [name for name in get_args(FaultName) if name != "none"])
def test_none_silent_none_wrong(fault, wiring, full_study):
    for seed in ALL_SEEDS if full_study else SEEDS[:1]:
        found, run = diagnosed(fault, wiring, seed), run_with(fault, wiring, seed)
        assert (found is None) == ((fault, wiring) in REFUSED), (fault, wiring, seed)
        assert run is None or run.result.next_check == run.result.verdict.next_check
        if found is None:
            continue
        at = (fault, wiring, seed, found.causes[0], found.undecided)
        part = KNOWN.part(fault)
        assert found.valve.result != "does_not_conform" or part == "valve", at
        if found.undecided is None:
            named = {one.cause for one in found.causes[:2]}
            assert found.causes[0].part == part or fault in named, at
            assert found.repairs, at
            continue
        assert found.next, at
        first = KNOWN.checks[found.next[0].begin_with]
        assert not first.after and first.minutes <= CHEAP, at
        assert first.takes_off in ("nothing", "the control unit's plug at the coil's lead"), at
        assert found.not_observable, at


def test_a_sound_rig_is_not_blamed():
    for wiring in WIRINGS:
        for seed in SEEDS:
            found = diagnosed("none", wiring, seed)
            assert found.causes[0].cause == "none", (wiring, seed)
            assert found.valve.result == "conforms"


@pytest.mark.parametrize(
    ("fault", "wiring", "first", "in_first"),
    [
        ("low oil pressure", "gauge behind", "oil_level", 1),
        ("aerated oil", "gauge behind", "oil_level", 1),
        ("clogged inlet screen", "gauge behind", "oil_level", 1),
        ("fuse open", "gauge behind", "drive_isolated", 1),
        ("relay dead", "gauge behind", "drive_isolated", 2),
        ("open coil", "gauge behind", "drive_isolated", 1),
        ("connector off", "gauge behind", "drive_isolated", 3),
        ("stuck plunger", "gauge behind", "drive_isolated", 4),
        ("spool stuck off", "gauge behind", "drive_isolated", 4),
        ("switch stuck open", "gauge behind", "drive_isolated", 1),
        ("switch stuck closed", "gauge behind", "drive_isolated", 1),
        ("switch wire open", "gauge behind", "drive_isolated", 2),
        ("switch wire shorted", "gauge behind", "drive_isolated", 2),
        ("switch chattering", "gauge behind", "drive_isolated", 1),
        ("switch wire intermittent", "gauge behind", "drive_isolated", 2),
        ("open coil", "switch only", "drive_isolated", 6),
        ("switch chattering", "switch only", "drive_isolated", 1),
    ],
)
def test_the_first_step_and_the_place_of_the_cause(fault, wiring, first, in_first):
    found = diagnosed(fault, wiring, 7)
    assert fault in [cause.cause for cause in found.causes[:in_first]], found.causes[:in_first]
    if found.undecided is None:
        assert found.causes[0].cause == fault, found.causes[:2]
        return
    assert found.next[0].begin_with == first, found.next[:2]


def test_intermittent_wiring_is_never_a_valve_that_sticks():
    for seed in SEEDS:
        for wiring in WIRINGS:
            found = diagnosed("switch wire intermittent", wiring, seed)
            by_name = {cause.cause: cause.probability for cause in found.causes}
            assert by_name.get("sticking spool", 0.0) < 0.02
            assert found.part["valve"] < 0.1


def test_pressure_behind_the_valve_with_the_coil_off_is_not_the_switch():
    found = diagnosed("spool stuck on", "gauge behind", 7)
    assert found.causes[0].cause == "spool stuck on"
    assert found.part["switch"] < 0.1


def test_cold_oil_that_is_stated_sends_to_warm_the_oil():
    run = run_with("cold oil", more='[simulated.oil]\ntemperature = "40 degC"\n', oil="-20")
    found = diagnose(KNOWN, [run], None, good())
    assert found.causes[0].cause == "cold oil"
    assert found.undecided is None
    assert found.repairs[0].repair == "warm the oil, run again"


def test_a_wrong_contact_in_the_setup_is_named():
    found = diagnosed("switch sense inverted", "gauge behind", 7)
    assert found.causes[0].cause == "switch sense inverted"
    assert found.undecided is None


def test_a_measured_low_pressure_is_not_overruled_by_a_typed_one():
    from dataclasses import replace

    run = run_with("low oil pressure", "gauge in front")
    typed = {"base_pressure": {"value": 303.0, "unit": "kPa", "how": "typed"}}
    found = diagnose(KNOWN, [replace(run, conditions=typed)], None, good("gauge in front"))
    assert found.causes[0].part == "oil"
    assert found.valve.result == "not_judged"


def test_two_causes_at_once_are_both_named():
    run = run_with("clogged inlet screen + switch chattering")
    found = diagnose(KNOWN, [run], None, good())
    first = [cause.cause for cause in found.causes[:3]]
    # chatter and a loose wire look alike until somebody wiggles the wire
    assert "clogged inlet screen" in first and "switch chattering" in first, first
    assert found.pairs


def test_a_pass_names_what_was_odd_and_what_was_not_shown():
    """A release half as long again is within the sheet's 80 ms."""
    found = diagnosed("weak return spring:0.6", "gauge behind", 7)
    assert found.valve.result == "conforms"
    assert "Odd all the same" in found.valve.words
    assert "Not shown" in found.valve.words


def test_without_a_gauge_it_says_so():
    found = diagnosed("spool stuck off", "switch only", 7)
    assert found.undecided is not None and "wired" in found.undecided


def test_what_is_not_wired_cannot_be_at_fault():
    found = diagnosed("none", "switch only", 7)
    assert not [cause for cause in found.causes if cause.cause.startswith(("gauge", "read-back"))]
    wired = diagnosed("gauge silent", "gauge behind", 7)
    assert wired.causes[0].cause == "gauge silent"


def test_one_run_is_not_named_in_every_sentence():
    found = diagnosed("clogged inlet screen", "gauge behind", 7)
    assert found.causes[0].speaks_for[0].startswith("response")


def test_a_rig_on_air_is_not_sent_to_the_dipstick():
    from dataclasses import replace

    run, sound = run_with("leaking lock seals"), good()
    on_air = [
        replace(one, setup=one.setup.model_copy(update={"medium": "air"})) for one in (run, sound)
    ]
    found = diagnose(KNOWN, on_air[:1], None, on_air[1])
    assert found.next and all(check.begin_with != "oil_level" for check in found.next)
    assert not [cause for cause in found.causes if cause.cause.startswith("oil too")]


def test_the_reason_names_only_sensors_that_part_the_likeliest_two():
    """No sensor of the rig parts a fuse from a relay; a read-back parts both from the coil."""
    found = diagnosed("fuse open", "gauge behind", 7)
    assert {one.cause for one in found.causes[:2]} == {"fuse open", "relay dead"}
    assert found.undecided and ", because" not in found.undecided
    blind = diagnosed("switch actuates too high:0.6", "switch only", 7)
    assert blind.undecided and "is not wired" in blind.undecided, blind.undecided


@pytest.mark.parametrize(("fault", "again"), [("none", True), ("spool stuck off", False)])
def test_a_stopped_run_is_done_again_unless_a_stroke_was_missed(fault: str, again: bool) -> None:
    run = run_with(fault)
    assert run is not None
    ended = Verdict(UNDECIDED, (Sentence("The run was stopped."),))
    judged = replace(run.result.judged, verdict=ended)
    stopped = replace(run, result=replace(run.result, status="aborted", judge=lambda: judged))
    shape = judged_json(stopped, NOTHING_KNOWN, good())
    words = shape["of_the_valve"]["words"]
    assert words.startswith("The valve is not judged: the run was stopped.")
    assert (shape["verdict"]["next_check"] == "the same run once more, to its end") == again
    assert ("Look first at" not in words) == again
