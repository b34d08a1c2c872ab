# SPDX-License-Identifier: MIT
"""Verdicts: each way a limit can be held, broken or left open, and what is said about it."""

from __future__ import annotations

import pytest
from stroke_trains import MS, Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.analysis.measure import marks
from rig.analysis.verdict.verdict import exit_code
from rig.core.records import Sample, Trip
from rig.results.run_json import run_json

STATED = {
    "supply_voltage": {"value": 12.4, "unit": "V", "how": "typed"},
    "base_pressure": {"value": 310.0, "unit": "kPa", "how": "typed"},
    "proved": {"value": "coil, switch", "unit": "", "how": "typed"},
}


def run(
    responses, accept, *, conditions=None, rig=None, end="finished", readback=True, extra=(),
    base="200 kPa", count=None, source="board", change=None,
):  # fmt: skip
    """A run with one stroke for each response (ms; None = not answered)."""
    train = Train(source, readback=readback)
    at = 0.0
    for number, response in enumerate(responses, 1):
        at = 1000.0 * number
        train.stroke(
            number, at, at + 500,
            live=8 if readback else None, dead=4 if readback else None,
            on_edges=[] if response is None else [(8 if readback else 0) + response],
            off_edges=[] if response is None else [(4 if readback else 0) + 30],
        )  # fmt: skip
    train.add(*extra)
    if change:
        change(train)
    train.end(at + 2000, end)
    page = sheet(
        strokes=count or max(len(responses), 1), accept=accept, base_pressure_min=base
    ) if base else sheet(strokes=count or len(responses), accept=accept)  # fmt: skip
    result = analyse(train.build(), rig or setup(readback=readback), page, conditions)
    shape = run_json(result)
    return shape["verdict"], exit_code(shape), shape


def link(shape, name):
    return next(one["found"] for one in shape["chain"] if one["link"] == name)


EACH = [{"figure": "response", "max": "80 ms"}]
MISSED = [{"figure": "missed", "max": 0}]


def test_conforms():
    verdict, code, _ = run([50, 55, 79.8], [*EACH, *MISSED])
    assert (verdict["result"], code) == ("conforms", 0)
    assert verdict["why"] == "Within both limits (risk of a wrong pass: at most 5 %)."
    assert verdict["next_check"] is None
    limit = verdict["limits"][0]
    assert limit == {
        "figure": "response", "of": "each", "min": None, "max": 80.0, "unit": "ms",
        "value": 79.8, "n": 3, "result": "conforms",
        "why": "Each response time is within its limit, with at most 5 % risk of being wrong.",
        "risk": 0.05, "guard_band": pytest.approx(0.1172, abs=1e-4),
        "risk_pct": pytest.approx(0.008, abs=0.002),
        "strokes_needed": None, "strokes": None,
    }  # fmt: skip
    assert verdict["risk_pct"] == verdict["limits"][0]["risk_pct"]
    assert verdict["decided_by"] == "response of each stroke"


def test_on_the_limit_itself_nothing_is_decided_and_half_the_chance_is_named():
    for response, limit in ((80, EACH), (20, [{"figure": "response", "min": "20 ms"}])):
        verdict, code, _ = run([response], limit)
        assert (verdict["result"], code) == ("undecided", 5)
        assert verdict["risk_pct"] == pytest.approx(50)
        assert "too near the limit" in verdict["why"]
        assert "guard band 0.12 ms" in verdict["why"]


def test_a_count_on_its_limit_is_within():
    assert run([80], [{"figure": "bounce", "max": 0}])[1] == 0


@pytest.mark.parametrize(
    ("response", "keys", "result"),
    [
        (79.9, {}, "undecided"), (79.9, {"risk": "25 %"}, "conforms"),
        (80.1, {}, "undecided"), (80.1, {"risk": "25 %"}, "does_not_conform"),
        (78.5, {}, "conforms"), (78.5, {"margin": "2 ms"}, "undecided"),
        (77.9, {"margin": "2 ms"}, "conforms"), (81.5, {"margin": "2 ms"}, "undecided"),
        (82.1, {"margin": "2 ms"}, "does_not_conform"),
    ],
)  # fmt: skip
def test_risk_and_margin(response, keys, result):
    verdict, _, _ = run([response], [EACH[0] | keys])
    assert verdict["result"] == result
    if "margin" in keys:
        assert verdict["guard_band"] == 2.0


def test_an_undecided_mean_says_how_many_strokes_would_settle_it():
    near = [{"figure": "response", "of": "mean", "max": "50.5 ms"}]
    responses = [48, 52, 50, 49, 51] * 2
    verdict, _, _ = run(responses, near)
    assert verdict["result"] == "undecided"
    needed = verdict["limits"][0]["strokes_needed"]
    assert f"About {needed - 10} more strokes would settle it" in verdict["why"]
    # and so they do
    more = (responses * 10)[:needed]
    assert run(more, near)[0]["result"] == "conforms"
    assert run(more[: needed // 5], near)[0]["result"] == "undecided"
    exactly = [{"figure": "response", "of": "mean", "max": "50 ms"}]
    verdict, _, _ = run([50, *responses], exactly)  # the first one comes after a rest
    assert verdict["limits"][0]["strokes_needed"] is None
    assert "More strokes would not settle it" in verdict["why"]


def test_does_not_conform_names_the_worst_stroke():
    verdict, code, _ = run([50, 95, 90], EACH)
    assert (verdict["result"], code) == ("does_not_conform", 1)
    assert verdict["why"] == "Response time of 95.00 ms in stroke 2 is above 80 ms (2 of 3 are)."
    assert verdict["limits"][0]["value"] == 95


@pytest.mark.parametrize(
    ("accept", "result"),
    [
        ({"figure": "response", "of": "mean", "max": "64 ms"}, "conforms"),
        ({"figure": "response", "of": "mean", "max": "57 ms"}, "undecided"),
        ({"figure": "response", "of": "mean", "max": "51 ms"}, "does_not_conform"),
        ({"figure": "response", "of": "median", "max": "51 ms"}, "conforms"),
        ({"figure": "response", "of": "median", "max": "49 ms"}, "does_not_conform"),
        ({"figure": "response", "of": "p95", "max": "90 ms"}, "conforms"),
        ({"figure": "response", "of": "p95", "max": "81 ms"}, "undecided"),
        ({"figure": "response", "of": "p95", "max": "49 ms"}, "does_not_conform"),
        ({"figure": "response", "of": "tolerance", "max": "90 ms"}, "conforms"),
        ({"figure": "response", "of": "tolerance", "max": "80 ms"}, "undecided"),
        ({"figure": "response", "of": "tolerance", "max": "65 ms"}, "does_not_conform"),
        ({"figure": "response", "of": "tolerance", "min": "20 ms", "max": "95 ms"}, "conforms"),
        ({"figure": "response", "of": "tolerance", "min": "35 ms"}, "undecided"),
        ({"figure": "response", "min": "49 ms"}, "conforms"),
        ({"figure": "response", "min": "51 ms"}, "does_not_conform"),
        ({"figure": "release", "max": "31 ms"}, "conforms"),
        ({"figure": "release", "max": "29 ms", "min": "10 ms"}, "does_not_conform"),
        ({"figure": "bounce", "max": 0}, "conforms"),
        ({"figure": "bounce", "of": "mean", "min": 1}, "does_not_conform"),
    ],
)
def test_every_kind_of_figure(accept, result):
    """Twenty responses, 16 of 50 ms and 4 of 80 ms: mean 56 and sd 12.31, so mean + t sem at 5 %
    is 60.8 and 51.2; k of a one-sided 95/95 tolerance bound is 2.396 (ISO 16269-6), 85.5 ms."""
    verdict, code, _ = run([50, 50, 50, 50, 80] * 4, [accept])
    assert verdict["result"] == result
    assert code == {"conforms": 0, "does_not_conform": 1, "undecided": 5}[result]


def test_without_read_back_a_limit_inside_the_relay_delay_is_undecided():
    rig = setup(readback=False, operate_delay="10 ms", operate_delay_least="0 ms")
    for response, result, code in (
        (85, "undecided", 5),
        (91, "does_not_conform", 1),
        (79, "conforms", 0),
    ):
        verdict, got, _ = run([response], EACH, rig=rig, readback=False)
        assert (verdict["result"], got) == (result, code)
    of_mean = [{"figure": "response", "of": "mean", "max": "80 ms"}]
    verdict, _, _ = run([85, 85.1, 84.9], of_mean, rig=rig, readback=False)
    # rectangular over 75 to 85 ms, of which 5 % are left out at either end
    assert verdict["why"] == (
        "The limit of the mean response time lies within what is not known of it (75.5 to 84.5 ms "
        "with 5 % risk to either side). More strokes would not settle it: the instrument's own "
        "part is too large."
    )
    assert run([95, 95.1, 94.9], of_mean, rig=rig, readback=False)[1] == 1
    verdict, code, _ = run([95], of_mean, rig=rig, readback=False)
    assert (verdict["result"], code) == ("undecided", 5)
    assert "One number has no spread" in verdict["why"]


def test_missed_without_the_chain_shown_is_undecided_with_the_next_check():
    verdict, code, _ = run([50, None, 50], MISSED)
    assert (verdict["result"], code) == ("undecided", 5)
    assert verdict["why"].startswith("1 of 3 strokes were never answered. What that means is open:")
    assert "base pressure was neither measured nor stated" in verdict["why"]
    assert "supply was neither measured nor stated" in verdict["why"]
    assert "the coil itself was not shown" in verdict["why"]
    assert "the switch was not shown" in verdict["why"]
    assert "--proved coil,switch" in verdict["why"]


def test_missed_with_the_chain_stated_does_not_conform():
    verdict, code, shape = run([50, None, 50], MISSED, conditions=STATED)
    assert (verdict["result"], code) == ("does_not_conform", 1)
    assert "supply stated as 12.4 V, base pressure stated as 310 kPa" in verdict["why"]
    assert "coil stated as proved good, switch stated as proved good" in verdict["why"]
    assert [link["link"] for link in shape["chain"] if not link["shown"]] == ["oil temperature"]


def test_missed_with_the_chain_measured():
    readings = [
        Sample("pressure", 305.0, round(at * MS), "good") for at in (900, 1900, 2900, 3900)
    ] + [Sample("supply_voltage", 12.3, 500 * MS, "good")]
    proved = {"proved": STATED["proved"]}
    verdict, _, shape = run(
        [50, None, 50], MISSED, extra=readings, rig=setup(gauge={}), conditions=proved
    )
    assert verdict["result"] == "does_not_conform"
    unproved, code, _ = run([50, None, 50], MISSED, extra=readings, rig=setup(gauge={}))
    assert (unproved["result"], code) == ("undecided", 5)
    assert link(shape, "base pressure") == "base pressure measured as 305 kPa"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"supply_voltage": None}, "supply was neither measured nor stated"),
        ({"supply_voltage": {"value": 8.0, "unit": "V", "how": "typed"}}, "below 10.1 V"),
        ({"supply_voltage": {"value": 12.0, "unit": "kV", "how": "typed"}}, "neither measured"),
        ({"supply_voltage": {"value": "good", "unit": "", "how": "typed"}}, "neither measured"),
        ({"base_pressure": {"value": 150.0, "unit": "kPa", "how": "typed"}}, "below 200 kPa"),
        ({"base_pressure": None}, "base pressure was neither measured nor stated"),
        ({"proved": {"value": "coil", "unit": "", "how": "typed"}}, "the switch was not shown"),
        ({"proved": {"value": "switch", "unit": "", "how": "typed"}}, "coil itself was not shown"),
        ({"proved": None}, "the coil itself was not shown"),
    ],
)
def test_each_missing_link_leaves_it_undecided(change, words):
    stated = {name: value for name, value in (STATED | change).items() if value}
    verdict, code, _ = run([50, None], MISSED, conditions=stated)
    assert (verdict["result"], code) == ("undecided", 5)
    assert words in verdict["why"]


def test_a_gauge_behind_the_valve_reads_low_and_what_a_person_states_counts():
    readings = [Sample("pressure", 2.0, round(at * MS), "good") for at in (900, 1900)]
    verdict, _, shape = run([50, None], MISSED, conditions=STATED, extra=readings)
    assert verdict["result"] == "does_not_conform"
    assert link(shape, "base pressure") == "base pressure stated as 310 kPa"
    stated = {"supply_voltage": STATED["supply_voltage"]}
    verdict, _, _ = run([50, None], MISSED, conditions=stated, extra=readings)
    assert verdict["result"] == "undecided"
    assert "base pressure was neither measured nor stated" in verdict["why"]
    assert "rested near zero and never rose" in verdict["why"]


def test_the_lowest_pressure_before_a_missed_stroke_counts_not_their_mean():
    """310 and 150 kPa before two missed strokes, 230 on average: 200 were asked for."""
    readings = [
        Sample("pressure", value, round(at * MS), "good")
        for at, value in ((900, 310.0), (1900, 310.0), (2900, 150.0))
    ]
    stated = {name: STATED[name] for name in ("supply_voltage", "proved")}
    verdict, _, shape = run([50, None, None], MISSED, conditions=stated, extra=readings)
    assert verdict["result"] == "undecided"
    assert link(shape, "base pressure") == ("the base pressure measured as 150 kPa, below 200 kPa")


def test_an_old_reading_does_not_show_the_base_pressure():
    readings = [Sample("pressure", 305.0, 10 * MS, "good")]
    stated = {"supply_voltage": STATED["supply_voltage"]}
    verdict, _, _ = run([50, 50, 50, None], MISSED, conditions=stated, extra=readings)
    assert "neither measured nor stated" in verdict["why"]


def test_without_a_minimum_base_pressure_in_the_sheet():
    verdict, _, _ = run([50, None], MISSED, conditions=STATED, base=None)
    assert verdict["result"] == "undecided"
    assert "base_pressure_min" in verdict["why"]


def test_what_a_person_proved_counts_unless_the_run_shows_the_contrary():
    every = {"proved": {"value": "supply, base pressure, coil, switch", "unit": "", "how": "typed"}}
    assert run([50, None], MISSED, conditions=every)[0]["result"] == "does_not_conform"
    low = every | {"supply_voltage": {"value": 8.0, "unit": "V", "how": "typed"}}
    verdict, _, _ = run([50, None], MISSED, conditions=low)
    assert verdict["result"] == "undecided" and "below 10.1 V" in verdict["why"]


def test_missed_where_the_coil_was_dead_is_undecided():
    def dead(train):
        train.command(True, 3000, 3)
        train.command(False, 3500, 3)

    verdict, _, _ = run([50, 50], MISSED, conditions=STATED, change=dead, count=3)
    assert verdict["result"] == "undecided"
    assert "not seen to go live in 1 of the missed strokes" in verdict["why"]


def test_a_switch_that_is_on_all_the_time_is_undecided():
    def stuck(train):
        train._records[0] = train._records[0]._replace(level=train.electrical("switch", True))

    verdict, _, shape = run([None, None], MISSED, conditions=STATED, change=stuck)
    assert verdict["result"] == "undecided"
    assert "on already before 2 of the missed strokes" in verdict["why"]
    assert marks.ON_AT_REST in shape["marks"]


def test_no_message_blames_the_valve():
    shapes = [run([None, 90], [*EACH, *MISSED], conditions=c)[2] for c in (None, STATED)]
    for shape in shapes:
        said = str(shape["verdict"])
        assert "valve is" not in said
        assert "faulty" not in said
        assert "defect" not in said


def test_a_missed_stroke_keeps_other_limits_from_conforming():
    verdict, code, _ = run([50, None], EACH)
    assert (verdict["result"], code) == ("undecided", 5)
    verdict, code, _ = run([50, None], EACH, conditions=STATED)
    assert (verdict["result"], code) == ("does_not_conform", 1)
    # unless the sheet allows it
    verdict, code, _ = run([50, None], [*EACH, {"figure": "missed", "max": 1}])
    assert (verdict["result"], code) == ("conforms", 0)


def test_too_few_strokes():
    verdict, code, _ = run([50, 50], EACH, count=10)
    assert (verdict["result"], code) == ("undecided", 5)
    assert "Only 2 of 10 strokes were recorded." in verdict["why"]
    # what is broken already stays broken
    assert run([50, 99], EACH, count=10)[1] == 1


def test_a_stroke_without_a_number_leaves_it_undecided():
    verdict, _, _ = run([50, 490], EACH)  # the second has not settled before the release
    assert verdict["result"] == "undecided"
    assert "1 stroke gave no response time; the others hold the limit." in verdict["why"]


def test_doubtful_numbers_do_not_decide():
    def lose(train):
        train._sequence["switch"] += 1
        train.stroke(3, 3000, 3500, live=8, dead=4, on_edges=[98], off_edges=[34])

    verdict, _, shape = run([50, 50], EACH, change=lose, count=3)
    assert shape["doubtful"] == [marks.EDGES_LOST]
    assert verdict["result"] == "undecided"
    verdict, _, _ = run([50, 95], EACH, change=lose, count=3)  # both too slow, one for sure? no:
    assert verdict["result"] == "undecided"  # the gap touches the strokes at both its ends
    verdict, _, _ = run([95, 50], EACH, change=lose, count=3)
    assert verdict["result"] == "does_not_conform"
    of_mean = [{"figure": "response", "of": "mean", "max": "60 ms"}]
    verdict, _, _ = run([50, 60], of_mean, change=lose, count=3)
    assert verdict["result"] == "undecided"
    assert "doubtful" in verdict["why"]


@pytest.mark.parametrize(
    ("end", "words", "code"),
    [
        ("tripped", "The run was tripped.", 3),
        ("aborted", "The run was stopped.", 3),
        ("fault", "The run ended in an internal fault.", 7),
    ],
)
def test_runs_that_did_not_finish(end, words, code):
    verdict, got, shape = run([50, 99], EACH, end=end, count=10)
    assert verdict["result"] == "undecided"
    assert verdict["why"] == f"{words} 1 of 10 strokes were completed."
    assert got == code
    assert shape["status"] == end
    verdict, _, _ = run([], EACH, end=end, count=10)
    assert verdict["result"] == "not_tested"


def test_trip_and_coil_still_live_come_before_the_verdict():
    trip = [Trip("over-pressure", 620.0, 600.0, "kPa", 2030 * MS, "too high")]
    _, code, shape = run([50, 50], EACH, end="tripped", extra=trip)
    assert code == 3
    shape["end"]["off"] = "still live"
    assert exit_code(shape) == 6


def test_interrupted_and_running():
    train = Train()
    train.stroke(1, 1000, 1500, live=8, dead=4, on_edges=[50], off_edges=[40])
    result = run_json(analyse(train.build(), setup(), sheet(strokes=5, accept=EACH)))
    assert result["status"] == "interrupted"
    assert result["verdict"]["result"] == "not_tested"
    assert exit_code(result) == 3
    running = run_json(
        analyse(train.build(), setup(), sheet(strokes=5, accept=EACH), status="running")
    )
    assert running["verdict"]["why"].startswith("The run is still going on.")
    assert exit_code(running) == 5


def test_no_limits():
    verdict, code, _ = run([50], [])
    assert (verdict["result"], verdict["why"], code) == (
        "not_tested", "No acceptance limits were given.", 0,
    )  # fmt: skip


def test_a_figure_that_the_run_does_not_have_is_not_tested():
    verdict, code, _ = run([None], EACH, conditions=STATED)
    assert verdict["limits"][0]["result"] == "not_tested"
    assert verdict["limits"][0]["value"] is None
    verdict, code, _ = run([50], [{"figure": "decay_rate", "max": "1 kPa/s"}])
    assert (verdict["result"], code) == ("not_tested", 5)
