# SPDX-License-Identifier: MIT
"""One stroke at a time: every definition on edges written by hand."""

from __future__ import annotations

import math

import pytest
from stroke_trains import MS, Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.analysis.measure import marks
from rig.core.records import Condition, Trip
from rig.results.run_json import run_json, stroke_json


def only(train: Train, contact: str = "normally open"):
    result = analyse(train.build(), setup(contact, readback=train.readback), sheet())
    return result, stroke_json(result.strokes, 0)


def test_timed_from_the_first_read_back_edge_to_the_settled_edge():
    train = Train()
    train.stroke(
        1, 1000, 1500, live=8.25, dead=4.5, on_edges=[60, 61, 62.5], off_edges=[40, 40.2, 41]
    )
    train.end(2000)
    result, stroke = only(train)
    assert stroke == {
        "number": 1, "answered": True, "missed": False, "settled": True,
        "response_ms": 54.25, "release_ms": 36.5,
        "first_edge_on_ms": 51.75, "first_edge_off_ms": 35.5,
        "bounce_on": 2, "bounce_off": 2,
        "at_switch_on_kpa": None, "at_switch_off_kpa": None, "marks": [], "mark_ids": [],
            "pressure": None,
        "current": None,
    }  # fmt: skip
    assert result.reference.of == "read-back"
    assert result.reference.response_ms == 0
    assert result.strokes.bounce_on_ms[0] == pytest.approx(2.5)
    assert result.strokes.bounce_off_ms[0] == pytest.approx(1.0)


def test_without_read_back_timed_from_the_command_with_the_relay_delay_beside_it():
    train = Train(readback=False)
    train.stroke(1, 1000, 1500, on_edges=[60], off_edges=[40])
    train.end(2000)
    recording = train.build()
    rig = setup(readback=False, operate_delay="12 ms", release_delay="7 ms")
    result = analyse(recording, rig, sheet())
    assert result.strokes.response_ms[0] == 60
    assert result.strokes.release_ms[0] == 40
    assert (result.reference.of, result.reference.response_ms, result.reference.release_ms) == (
        "command", 12.0, 7.0,
    )  # fmt: skip
    without = analyse(recording, None, None)
    assert without.reference.response_ms is None


def test_first_relay_bounce_counts_as_live_and_as_dead():
    train = Train()
    train.command(True, 1000, 1)
    train.edges("readback", [1006, 1006.4, 1006.9], first_on=True)
    train.edge("switch", True, 1050)
    train.command(False, 1500, 1)
    train.edges("readback", [1503, 1503.1, 1503.5], first_on=False)
    train.edge("switch", False, 1540)
    train.end(2000)
    _, stroke = only(train)
    assert (stroke["response_ms"], stroke["release_ms"]) == (44, 37)
    assert stroke["marks"] == []


@pytest.mark.parametrize(
    ("second", "response", "bounce"),
    [(19.999999, 90, 2), (20, 50, 0)],  # the window is 20 ms: at exactly 20 it has settled
)
def test_settled_is_the_edge_after_which_the_switch_stays_put_for_the_window(
    second, response, bounce
):
    train = Train()
    train.stroke(1, 1000, 1500, live=10, dead=5, on_edges=[60, 60 + second, 100], off_edges=[40])
    train.end(2000)
    _, stroke = only(train)
    assert (stroke["response_ms"], stroke["bounce_on"]) == (response, bounce)
    # after settling at 50 the other two edges have no command
    assert (marks.UNEXPECTED in stroke["marks"]) == (bounce == 0)


def test_a_short_answer_that_falls_back_is_not_settled_and_is_marked():
    train = Train()
    train.stroke(1, 1000, 1500, live=10, dead=5, on_edges=[30, 31, 90], off_edges=[40])
    train.end(2000)
    _, stroke = only(train)
    assert (stroke["response_ms"], stroke["first_edge_on_ms"], stroke["bounce_on"]) == (80, 20, 2)
    assert stroke["marks"] == [marks.FELL_BACK]


def test_never_answered():
    train = Train()
    train.stroke(1, 1000, 1500, live=10, dead=5)
    train.end(2000)
    result, stroke = only(train)
    assert not stroke["answered"]
    assert not stroke["settled"]
    assert stroke["response_ms"] is stroke["release_ms"] is stroke["bounce_on"] is None
    assert stroke["marks"] == [marks.NEVER_ANSWERED]
    assert result.strokes.missed.tolist() == [True]
    assert result.marks == (marks.STUCK,)


def test_answered_only_after_the_release():
    train = Train()
    train.command(True, 1000, 1)
    train.edge("readback", True, 1010)
    train.command(False, 1100, 1)
    train.edge("readback", False, 1105)
    train.edge("switch", True, 1150)
    train.edge("switch", False, 1200)
    train.end(2000)
    result, stroke = only(train)
    assert stroke["answered"]
    assert not stroke["settled"]
    assert stroke["response_ms"] is None
    assert (stroke["first_edge_on_ms"], stroke["release_ms"]) == (140, 95)
    assert stroke["marks"] == [marks.ANSWERED_LATE]
    assert not result.strokes.missed[0]


def test_not_settled_before_the_coil_was_released():
    train = Train()
    train.stroke(1, 1000, 1500, live=10, dead=5, on_edges=[490], off_edges=[40])
    train.end(2000)
    _, stroke = only(train)
    assert stroke["answered"]
    assert stroke["response_ms"] is None
    assert stroke["first_edge_on_ms"] == 480
    assert stroke["release_ms"] == 35
    assert stroke["marks"] == [marks.ON_NOT_SETTLED]


def test_overlapping_strokes_are_both_marked():
    train = Train()
    train.stroke(1, 1000, 1200, live=10, dead=5, on_edges=[50], off_edges=[95])
    # the first stroke's release comes 5 ms before the next command: not settled by then
    train.stroke(2, 1300, 1500, live=10, dead=5, on_edges=[50], off_edges=[100])
    # and the second's only after the third command
    train.command(True, 1590, 3)
    train.edge("readback", True, 1596)
    train.edge("switch", True, 1660)
    train.command(False, 1900, 3)
    train.edge("readback", False, 1905)
    train.edge("switch", False, 1950)
    train.end(2500)
    result = analyse(train.build(), setup(), sheet())
    first, second, third = (stroke_json(result.strokes, row) for row in range(3))
    assert first["response_ms"] == 40
    assert first["release_ms"] is None
    assert first["marks"] == [marks.OFF_NOT_SETTLED]
    assert second["marks"] == [marks.OFF_NOT_SETTLED]
    assert third["marks"] == [marks.ALREADY_ON]
    assert third["response_ms"] == 64
    assert third["release_ms"] == 45


def test_switch_on_before_the_command_and_never_off():
    train = Train(rest_on=True)
    train.stroke(1, 1000, 1500, live=10, dead=5)
    train.end(2000)
    result, stroke = only(train)
    assert stroke["marks"] == [marks.NEVER_ANSWERED, marks.ALREADY_ON, marks.NOT_RELEASED]
    assert set(result.marks) == {marks.ON_AT_REST, marks.STUCK}
    assert marks.ALREADY_ON in result.doubtful


def test_a_contact_told_wrong_is_named():
    train = Train(closed_on=True)
    for number in (1, 2, 3):
        at = 1000 * number
        train.stroke(number, at, at + 500, live=10, dead=5, on_edges=[60], off_edges=[40])
    train.end(5000)
    recording = train.build()
    wrong = analyse(recording, setup("normally closed"), sheet(strokes=3))
    assert marks.WRONG_WAY in wrong.marks
    assert wrong.summaries["response_ms"].n == 0
    right = analyse(recording, setup("find"), sheet(strokes=3))
    assert right.marks == ()
    assert right.summaries["response_ms"].mean == 50
    assert (right.contact.sense, right.contact.how) == (
        "normally open",
        "found from the rest state",
    )


@pytest.mark.parametrize("closed_on", [True, False])
@pytest.mark.parametrize("closed_level", [0, 1])
@pytest.mark.parametrize("told", [True, False])
def test_both_contact_senses_told_or_found(closed_on, closed_level, told):
    sense = "normally open" if closed_on else "normally closed"
    train = Train(closed_on=closed_on, closed_level=closed_level)
    train.stroke(1, 1000, 1500, live=10, dead=5, on_edges=[60], off_edges=[40])
    train.end(2000)
    result, stroke = only(train, sense if told else "find")
    assert result.contact.sense == sense
    assert result.contact.how == ("setup" if told else "found from the rest state")
    assert (stroke["response_ms"], stroke["release_ms"], stroke["marks"]) == (50, 35, [])


def test_rest_state_is_taken_just_before_the_first_energise():
    train = Train(rest_on=True)
    train.edge("switch", False, 500)  # settles to off while the rig waits
    train.stroke(1, 1000, 1500, live=10, dead=5, on_edges=[60], off_edges=[40])
    train.end(2000)
    result, stroke = only(train, "find")
    assert result.contact.sense == "normally open"
    assert stroke["response_ms"] == 50
    assert result.marks == (marks.EDGES_AT_REST,)
    assert result.unexpected_edges == 1


def test_ground_side_read_back_is_live_when_low():
    train = Train(live_level=0)
    train.stroke(1, 1000, 1500, live=10, dead=5, on_edges=[60], off_edges=[40])
    train.end(2000)
    _, stroke = only(train)
    assert (stroke["response_ms"], stroke["release_ms"]) == (50, 35)


def test_coil_not_seen_to_go_live_or_dead_gives_no_number():
    train = Train()
    train.stroke(1, 1000, 1500, live=10, on_edges=[60], off_edges=[40])
    train.end(2000)
    _, stroke = only(train)
    assert stroke["release_ms"] is None
    assert stroke["response_ms"] == 50
    assert stroke["marks"] == [marks.COIL_NOT_DEAD]
    train = Train()
    train.stroke(1, 1000, 1500, on_edges=[60], off_edges=[40])
    train.end(2000)
    _, stroke = only(train)
    assert stroke["answered"]
    assert stroke["response_ms"] is None
    assert stroke["marks"] == [marks.COIL_NOT_LIVE, marks.COIL_NOT_DEAD]


def test_coil_live_before_the_command():
    train = Train()
    train.edge("readback", True, 500)
    train.stroke(1, 1000, 1500, on_edges=[60], off_edges=[40], dead=5)
    train.end(2000)
    _, stroke = only(train)
    assert stroke["response_ms"] is None
    assert stroke["marks"] == [marks.COIL_LIVE_BEFORE]


def test_switch_change_between_command_and_coil_belongs_to_no_command():
    train = Train()
    train.command(True, 1000, 1)
    train.edges("switch", [1003, 1003.5], first_on=True)  # the relay's own interference, say
    train.edge("readback", True, 1010)
    train.edge("switch", True, 1060)
    train.command(False, 1500, 1)
    train.edge("readback", False, 1505)
    train.edge("switch", False, 1540)
    train.end(2000)
    result, stroke = only(train)
    assert (stroke["response_ms"], stroke["bounce_on"]) == (50, 0)
    assert stroke["marks"] == [marks.BEFORE_COIL]
    assert result.unexpected_edges == 2


def test_edges_while_nothing_is_commanded_are_counted():
    train = Train()
    train.stroke(1, 1000, 1500, live=10, dead=5, on_edges=[60], off_edges=[40])
    train.edges("switch", [1800, 1830], first_on=True)
    train.stroke(2, 2000, 2500, live=10, dead=5, on_edges=[60], off_edges=[40])
    train.end(3000)
    result = analyse(train.build(), setup(), sheet(strokes=2))
    assert result.strokes.marks(0) == [marks.UNEXPECTED]
    assert result.strokes.marks(1) == []
    assert result.unexpected_edges == 2
    assert result.strokes.release_ms.tolist() == [35, 35]


def test_recording_that_ends_within_the_settle_window():
    train = Train()
    train.stroke(1, 1000, 1500, live=10, dead=5, on_edges=[60], off_edges=[40])
    train.end(1550)
    _, stroke = only(train)
    assert stroke["release_ms"] is None
    assert not stroke["settled"]
    assert stroke["marks"] == [marks.ENDED_EARLY]
    # a capture's value holds until the next row, and there is none
    train = Train("capture")
    train.stroke(1, 1000, 1500, live=10, dead=5, on_edges=[60], off_edges=[40])
    _, stroke = only(train)
    assert stroke["release_ms"] == 35
    assert stroke["marks"] == [marks.HELD]


def test_a_trip_cuts_its_stroke_short_and_it_is_not_missed():
    train = Train()
    train.stroke(1, 1000, 1500, live=10, dead=5, on_edges=[60], off_edges=[40])
    train.command(True, 2000, 2)
    train.edge("readback", True, 2010)
    train.add(Trip("over-pressure", 620.0, 600.0, "kPa", 2030 * MS, "too high"))
    train.command(False, 2031, 0)
    train.edge("readback", False, 2036)
    train.end(2500, "tripped")
    result = analyse(train.build(), setup(), sheet(strokes=2))
    shape = run_json(result)
    assert result.strokes.missed.tolist() == [False, False]
    assert shape["strokes"][1]["marks"] == [marks.CUT_SHORT]
    assert shape["trip"]["rule"] == "over-pressure"
    assert shape["trip"]["t_ms"] == 2030
    assert shape["status"] == "tripped"


def test_no_figure_is_of_a_stroke_that_was_cut():
    train = Train()
    train.stroke(1, 1000, 1500, live=10, dead=5, on_edges=[60], off_edges=[40])
    train.add(Trip("over-pressure", 620.0, 600.0, "kPa", 1400 * MS, "too high"))
    train.end(1600, "tripped")
    result = analyse(train.build(), setup(), sheet(strokes=2))
    shape = run_json(result)
    assert "No stroke was completed." in shape["verdict"]["why"]
    assert shape["strokes"][0]["response_ms"] == 50.0  # what was recorded stands
    for told in shape["summary"].values():
        assert told["mean"] is None and told["n"] == told["rest"]["n"] == 0
    assert not result.budgets


def test_numbers_come_from_the_command_and_commands_outside_strokes_are_none():
    train = Train()
    train.command(True, 100, 0)
    train.command(False, 300, 0)
    train.stroke(7, 1000, 1500, live=10, dead=5, on_edges=[60], off_edges=[40])
    train.stroke(9, 2000, 2500, live=10, dead=5, on_edges=[61], off_edges=[40])
    train.command(False, 2900, 0)  # the release at the run's end is commanded again
    train.end(3000)
    result = analyse(train.build(), setup(), sheet(strokes=2))
    assert result.strokes.number.tolist() == [7, 9]
    assert result.summaries["response_ms"].n == 2


def test_a_condition_marks_the_stroke_it_fell_into():
    train = Train()
    for number in (1, 2):
        at = 1000 * number
        train.stroke(number, at, at + 500, live=10, dead=5, on_edges=[60], off_edges=[40])
    train.add(Condition("gauge lost", 500 * MS, "unplugged"))
    train.add(Condition("gauge lost", 2100 * MS, "unplugged"))
    train.add(Condition("gauge lost", 2200 * MS, "unplugged"))
    train.end(3000)
    result = analyse(train.build(), setup(), sheet(strokes=2))
    assert [result.strokes.marks(row) for row in (0, 1)] == [[], ["gauge lost"]]
    assert result.conditions_seen == {"gauge lost": 3}


def test_times_are_exact_to_the_nanosecond_far_from_zero():
    start = 9_007_199_254_740_993 / MS  # beyond what a float holds to the nanosecond
    train = Train(start=start)
    records = train._records
    base = 9_007_199_254_740_993
    from rig.core.records import Command, Edge

    records += [
        Command(True, base, base, 1),
        Edge("readback", 1, base + 1, 1, "kernel"),
        Edge("switch", 0, base + 50_000_002, 1, "kernel"),
        Command(False, base + 500_000_000, base + 500_000_000, 1),
        Edge("readback", 0, base + 505_000_003, 2, "kernel"),
        Edge("switch", 1, base + 540_000_000, 2, "kernel"),
    ]
    train.end((base + 900_000_000) / MS)
    _, stroke = only(train)
    assert stroke["response_ms"] == 50.000001
    assert stroke["release_ms"] == 34.999997


@pytest.mark.parametrize("source", ["board", "capture", "simulated", "emulated board"])
def test_empty_and_one_record_recordings_give_results_without_numbers(source):
    from rig.core.recording import RecordingBuilder
    from rig.core.records import Command, Edge, Level, Sample, Step

    for records in (
        [], [Level("switch", 1, 5)], [Edge("switch", 1, 5, 1, "kernel")], [Step("settle", 0, 5)],
        [Command(True, 5, 6, 1)], [Command(False, 5, 6, 1)], [Sample("pressure", 5.0, 5, "good")],
        [Sample("pressure", None, 5, "garbage")], [Condition("gauge lost", 5, "")],
    ):  # fmt: skip
        recording = RecordingBuilder(source).add_all(records).build()
        for page in (
            None, sheet(), sheet("hold", state="released", watch="5 s"),
            sheet("ramp", ramps=2, low="0 kPa", high="100 kPa"),
        ):  # fmt: skip
            for rig in (None, setup("find"), setup(readback=False, gauge={})):
                shape = run_json(analyse(recording, rig, page))
                assert shape["verdict"]["result"] in ("not_tested", "undecided")
                assert shape["summary"]["response_ms"]["mean"] is None


def test_nan_never_leaves():
    train = Train()
    train.stroke(1, 1000, 1500, live=10, dead=5)
    train.end(2000)
    result, _ = only(train)
    assert math.isnan(result.strokes.response_ms[0])
    from rig.results.run_json import dumps

    assert "NaN" not in dumps(run_json(result))


@pytest.mark.parametrize("edges", [[60, 300], [60, 300, 301, 302]])
def test_a_switch_that_opens_again_while_energised_has_dropped_out(edges: list[float]) -> None:
    """Once and for good is enough, as is once with bounce; a settled switch has not."""
    train = Train()
    train.stroke(1, 1000, 1500, live=8, dead=4, on_edges=edges)
    train.end(2000)
    _, stroke = only(train)
    assert stroke["answered"] and marks.DROPPED_OUT in stroke["marks"]
    steady = Train()
    steady.stroke(1, 1000, 1500, live=8, dead=4, on_edges=[60, 61, 62], off_edges=[40])
    steady.end(2000)
    assert marks.DROPPED_OUT not in only(steady)[1]["marks"]
