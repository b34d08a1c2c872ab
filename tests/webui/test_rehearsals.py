# SPDX-License-Identifier: MIT
"""Cautions rehearsed on the simulated rig: its own interlock answers, and nothing is kept of it."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest
from flask.testing import FlaskClient

from rig.core.records import End
from webui.lessons import rehearsals
from webui.lessons.rehearsals import OUTCOMES, REHEARSALS, outcome, rehearse

EXPECTED = {
    "stop": "confirmed",
    "two-drivers": "refused",  # the read-back is live before any command
    "welded": "live",
    "pressure": "confirmed",
    "gauge-gone": "confirmed",
    "gauge-frozen": "finished",  # a number that never changes is a number in range
    "fuse": "not confirmed",  # a read-back that was dead all along shows nothing
}
"""What the interlock's rules give, by hand."""


@pytest.mark.parametrize("one", REHEARSALS, ids=lambda one: one.name)
def test_the_rig_does_what_its_rules_say(one: rehearsals.Rehearsal) -> None:
    assert rehearse(one).outcome == EXPECTED[one.name]


def test_every_outcome_is_to_be_met_once() -> None:
    assert set(EXPECTED.values()) == set(OUTCOMES)
    assert len({one.name for one in REHEARSALS}) == len(REHEARSALS) == len(EXPECTED)


def test_stop_ends_the_stroke_it_was_pressed_in() -> None:
    (one,) = [one for one in REHEARSALS if one.stop_in]
    done = rehearse(one)
    on, *_, end = done.events
    assert (on.t_ms, on.words) == (0.0, f"commanded on, stroke {one.stop_in}")
    assert "confirmed off" in end.words
    assert any("Stop was pressed" in event.words and event.t_ms < 100.0 for event in done.events)


def test_the_trip_comes_after_the_command_and_says_why() -> None:
    (welded,) = [one for one in REHEARSALS if one.name == "welded"]
    done = rehearse(welded)
    assert [event.t_ms for event in done.events] == sorted(event.t_ms for event in done.events)
    assert any(event.words == "trip: read-back disagreeing" for event in done.events)
    assert "contact welded" in done.said[0]


@pytest.mark.parametrize(
    ("reason", "off", "found"),
    [
        ("finished", "confirmed off", "finished"),
        ("tripped", "confirmed off", "confirmed"),
        ("tripped", "commanded off, not confirmed", "not confirmed"),
        ("aborted", "still live", "live"),
    ],
)
def test_how_a_run_ended(reason: str, off: str, found: str) -> None:
    assert outcome(End(reason, off, 0)) == found


def test_nothing_of_it_is_logged_or_latched(client: FlaskClient, rig_data: Path) -> None:
    before = sorted(path.name for path in rig_data.rglob("*"))
    rehearsals._done.clear()
    assert client.get("/lesson/cautions/welded?said=live").status_code == 200
    assert sorted(path.name for path in rig_data.rglob("*")) == before


def test_the_class_says_first_then_the_rig_answers(client: FlaskClient) -> None:
    asked = client.get("/lesson/cautions/pressure").text
    assert "SIMULATED" in asked and "over the limit" in asked
    assert "What it did" not in asked and "Releasing the coil" not in asked
    told = client.get("/lesson/cautions/pressure?said=finished").text
    assert f"You said: {OUTCOMES['finished']}" in told and "You said so" not in told
    assert OUTCOMES["confirmed"] in told and "Releasing the coil does not lower" in told
    assert "You said so" in client.get("/lesson/cautions/pressure?said=confirmed").text


def test_all_are_offered_and_lead_to_one_another(client: FlaskClient) -> None:
    listed = client.get("/lesson/cautions").text
    for one, following in zip(REHEARSALS, [*REHEARSALS[1:], None], strict=True):
        assert f"/lesson/cautions/{one.name}" in listed
        told = client.get(f"/lesson/cautions/{one.name}?said=live").text
        assert ("Next: " in told) == (following is not None)


def test_what_is_no_caution_or_no_answer_is_refused(client: FlaskClient) -> None:
    assert client.get("/lesson/cautions/none-such").status_code == 404
    assert client.get("/lesson/cautions/welded?said=perhaps").status_code == 400


def test_not_beside_a_real_run(client: FlaskClient) -> None:
    client.application.extensions["hub"] = SimpleNamespace(at_rest=False)
    assert client.get("/lesson/cautions/welded?said=live").status_code == 409
    assert client.get("/lesson/cautions/welded").status_code == 200
