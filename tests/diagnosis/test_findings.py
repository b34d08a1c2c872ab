# SPDX-License-Identifier: MIT
"""Every finding of a run: the state that a fault of the simulated rig brings about."""

from __future__ import annotations

from dataclasses import replace

import pytest
from seen_runs import good, run_with, states

from rig.diagnosis.diagnose import diagnose
from rig.diagnosis.findings.collect import findings_of, together
from rig.diagnosis.findings.from_gauge import gauge_place
from rig.diagnosis.findings.model import Finding
from rig.diagnosis.knowledge.loading import load_knowledge

CASES = [
    # fault, finding, state
    ("low oil pressure", "switch", "stays_off"),
    ("low oil pressure", "level_on", "low"),
    ("aerated oil", "response", "very_long"),
    ("aerated oil", "release", "very_long"),
    ("cold oil", "first_stroke", "slow"),
    ("cold oil", "level_off", "residual"),
    ("oil pressure surge", "over_pressure", "yes"),
    ("clogged inlet screen", "response", "very_long"),
    ("clogged inlet screen", "release", "right"),
    ("leaking lock seals", "level_on", "low"),
    ("leaking lock seals", "release", "short"),
    ("weak return spring", "release", "very_long"),
    ("weak return spring", "asymmetry", "release_more"),
    ("clogged inlet screen", "asymmetry", "response_more"),
    ("aerated oil:0.5", "asymmetry", "even"),
    ("aerated oil:0.5", "first_stroke", "less"),
    ("low oil level:0.4", "level_on", "bit_low"),
    ("relay slow:0.4", "relay_scatter", "wide"),
    ("gauge offset:0.3", "level_off", "trace"),
    ("gauge disconnected", "gauge_signal", "unplugged"),
    ("gauge NaN", "gauge_signal", "bad"),
    ("sticking spool", "release_scatter", "tail"),
    ("open coil", "switch", "stays_off"),
    ("open coil", "level_on", "none"),
    ("open coil", "readback", "follows"),
    ("fuse open", "readback", "never_live"),
    ("contact welded", "readback", "stays_live"),
    ("contact welded", "switch", "holds_on"),
    ("relay slow", "relay_delay", "long"),
    ("spool stuck on", "switch", "stays_on"),
    ("spool stuck on", "level_off", "full"),
    ("blocked drain:0.6", "level_off", "residual"),
    ("switch stuck open", "switch", "stays_off"),
    ("switch stuck open", "level_on", "right"),
    ("switch stuck closed", "switch", "stays_on"),
    ("switch sense inverted", "switch", "inverted"),
    ("switch chattering", "bounce", "many"),
    ("switch chattering", "lost_contact", "some"),
    ("switch wire intermittent", "lost_contact", "at_rest"),
    ("gauge silent", "gauge_signal", "lost"),
    ("gauge frozen", "gauge_signal", "frozen"),
    ("gauge in the wrong unit", "gauge_scale", "factor"),
    ("gauge offset", "level_off", "residual"),
]


@pytest.mark.parametrize(("fault", "finding", "state"), CASES)
def test_a_fault_shows_in_the_finding(fault, finding, state):
    seen = states(fault)
    assert seen[finding].state == state, seen[finding]
    assert seen[finding].found and seen[finding].by.startswith("run of")
    if state != load_knowledge().findings[finding].states[0]:
        sound = states("none")[finding]
        assert sound.state != state, "the sound rig shows the same: the test could not fail"


def test_a_sound_rig_shows_nothing():
    known = load_knowledge()
    for one in states("none").values():
        assert not one.observed or one.state == known.findings[one.name].states[0], one


def test_the_sum_of_the_chances_is_one():
    for fault in ("none", "cold oil", "switch stuck closed"):
        for one in states(fault).values():
            assert not one.observed or sum(one.chances.values()) == pytest.approx(1.0), one


def test_the_coils_current_shows_what_flows():
    seen = states("open coil", "all sensors")
    assert seen["current"].state == "none"
    assert not seen["plunger"].observed
    assert states("shorted turns", "all sensors")["current"].state == "high"
    assert states("high-resistance joint", "all sensors")["current"].state == "low"
    sound = states("none", "all sensors")
    assert (sound["current"].state, sound["plunger"].state) == ("right", "moves")
    assert (sound["supply"].state, sound["oil_temperature"].state) == ("right", "warm")


def test_what_is_not_wired_is_not_observable_and_says_so():
    seen = states("none", "switch only")
    for name in ("level_on", "level_off", "rise", "ripple", "base", "readback", "current"):
        assert not seen[name].observed
        assert "wired" in seen[name].found or "neither" in seen[name].found, seen[name]


def test_where_the_gauge_is_comes_from_its_readings():
    assert gauge_place(good(), None).place == "behind"
    assert gauge_place(good("gauge in front"), None).place == "in front"
    assert gauge_place(good("switch only"), None).place == "none"


def test_a_gauge_that_never_moves_is_not_taken_for_either_place():
    """Pressure that stands and does not follow the coil is base pressure or trapped pressure."""
    run = run_with("spool stuck on")
    alone = {one.name: one for one in findings_of(run, None)}
    assert not alone["level_off"].observed
    assert "trapped" in alone["level_off"].found
    told = {one.name: one for one in findings_of(run, None, "behind")}
    assert told["level_off"].state == "full"


def test_a_gauge_in_front_measures_the_base_pressure():
    low = states("low oil pressure", "gauge in front")
    assert low["base"].state == "low"
    assert not low["level_on"].observed
    assert states("none", "gauge in front")["base"].state == "right"


def test_a_typed_base_pressure_weighs_less_than_a_measured_one():
    run = run_with("none", "switch only", oil="90")
    told = {**run.conditions, "base_pressure": {"value": 300.0, "unit": "kPa", "how": "typed"}}
    from dataclasses import replace

    stated = {one.name: one for one in findings_of(replace(run, conditions=told), None)}["base"]
    measured = states("none", "gauge in front")["base"]
    assert stated.state == measured.state == "right"
    assert stated.sure < 0.95 < measured.sure


def test_a_typed_oil_temperature_is_a_finding():
    cold = run_with("none", oil="5")
    assert {one.name: one for one in findings_of(cold)}["oil_temperature"].state == "cold"


def test_a_limit_broken_by_the_first_stroke_alone_is_a_long_response():
    """The demo's limit holds for each stroke, those after a rest among them. A first stroke that is
    slow beside the others is a finding of its own, and says nothing of theirs."""
    run = run_with("clogged inlet screen")
    assert run is not None and run.result.verdict.result == "does_not_conform"
    found = {one.name: one for one in findings_of(run)}["response"]
    assert found.state == "long" and "in the first stroke" in found.found
    causes = diagnose(load_knowledge(), [run]).causes
    assert causes[0].cause == "clogged inlet screen"
    for fault, first in (("none", "right"), ("dirty oil", "slow")):
        other = run_with(fault)
        assert other is not None
        states_of = {one.name: one.state for one in findings_of(other)}
        assert (states_of["response"], states_of["first_stroke"]) == ("right", first)


def test_a_known_good_run_shows_what_a_limit_hides():
    """A response doubled by the screen is within the sheet's 80 ms, and far from this valve's."""
    run = run_with("clogged inlet screen:0.7")
    with_good = {one.name: one for one in findings_of(run, good())}["response"]
    alone = {one.name: one for one in findings_of(run)}["response"]
    assert with_good.state in ("long", "very_long")
    assert alone.state == "right"


def test_runs_that_contradict_one_another_are_named():
    one = Finding("switch", {"follows": 0.99, "": 0.01}, "it follows", "run 1")
    other = Finding("switch", {"stays_off": 0.99, "": 0.01}, "it never answers", "run 2")
    found = together([one, other])
    assert len(found.contradictions) == 1
    assert "run 1" in found.contradictions[0] and "run 2" in found.contradictions[0]
    assert not together([one, one]).contradictions


def test_what_one_run_hides_another_may_show():
    shown = Finding("base", {"right": 1.0}, "300 kPa", "run 2")
    found = together([Finding("base", {}, "not wired", "run 1"), shown])
    assert found.observed["base"] == (shown,)
    assert "base" not in found.hidden


def test_readings_that_stop_without_a_trip_are_lost():
    """A capture has no interlock that would trip."""
    run = run_with("none")
    samples = run.recording.samples["pressure"]
    half = len(samples.t_ns) // 2
    cut = replace(
        samples, t_ns=samples.t_ns[:half], value=samples.value[:half], good=samples.good[:half]
    )
    recording = replace(run.recording, samples={**run.recording.samples, "pressure": cut})
    found = {one.name: one for one in findings_of(replace(run, recording=recording), good())}
    assert found["gauge_signal"].state == "lost", found["gauge_signal"]
    assert states("none")["gauge_signal"].state == "right"
