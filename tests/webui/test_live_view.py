# SPDX-License-Identifier: MIT
"""What the bench page shows of a run's lines: held against the run's own analysis."""

from __future__ import annotations

import json

import pytest
from fast_runs import DEMO, fast_run

from rig.config.files.loading import load_pair
from rig.core.records import Block, Command, Edge, End, Level, Sample, decode, encode
from webui.live.course import INTERVALS_MOST
from webui.live.view import POINTS_MOST, LiveView, bands


@pytest.fixture(scope="module")
def run() -> tuple[LiveView, list[bytes]]:
    setup, sheet, lines = fast_run("workshop.setup.toml", "workshop.sheet.toml")
    view = LiveView(setup, sheet, "simulated")
    for number, line in enumerate(lines):
        view.line(line, number + 1)
    return view, lines


def test_strokes_are_counted_and_shown_as_dots(run: tuple[LiveView, list[bytes]]) -> None:
    view, _ = run
    facts = view.facts(10**9)
    assert facts["strokes_done"] == facts["of"] == 20
    assert [dot[0] for dot in facts["dots"]] == list(range(1, 21))
    assert all(10 < dot[1] < 100 for dot in facts["dots"])
    assert facts["missed"] == 0 and facts["last"]["number"] == 20


def test_the_stroke_under_way_begins_at_its_command(run: tuple[LiveView, list[bytes]]) -> None:
    _, lines = run
    setup, sheet = load_pair(DEMO / "workshop.setup.toml", DEMO / "workshop.sheet.toml")
    view = LiveView(setup.setup, sheet.sheet if sheet else None, "simulated")
    commands = 0
    for line in lines:
        view.line(line, 1)
        commands += line.startswith(b'["C",true')
        if commands == 3 and line.startswith(b'["E"'):
            break
    stroke = view.facts(1)["stroke"]
    assert stroke["number"] == 3
    assert stroke["command"][-1] == [0.0, 1.0]
    assert all(0 <= t < 100 for t, _ in stroke["coil"] + stroke["switch"])


def test_everything_is_json_without_nan(run: tuple[LiveView, list[bytes]]) -> None:
    json.dumps(run[0].facts(10**9), allow_nan=False)


def test_inputs_say_what_is_not_watched(run: tuple[LiveView, list[bytes]]) -> None:
    rows = {row["name"]: row for row in run[0].facts(10**9)["inputs"]}
    assert not rows["Stop input"]["watched"] and rows["Stop input"]["shown"] is None
    assert rows["Stop input"]["age_ms"] is None, "of what is not there nothing is heard"
    assert rows["Pressure"]["watched"] and rows["Pressure"]["shown"].endswith("kPa")
    assert rows["Pressure"]["age_ms"] is not None


def test_channels_of_the_converter_are_inputs_too() -> None:
    setup, _ = load_pair(DEMO / "workshop.setup.toml", None)
    view = LiveView(setup.setup, None, "simulated")
    status = {"tell": "status", "t_ns": 10**9, "channels": {"coil_current": [0.512345, 0.02]}}
    view.line(json.dumps(status).encode(), 10**9)
    rows = {row["name"]: row for row in view.facts(10**9)["inputs"]}
    assert rows["Coil current"]["shown"] == "0.51 A" and rows["Coil current"]["age_ms"] == 20


def test_a_reading_has_the_places_of_its_unit_and_no_minus_before_a_nought() -> None:
    setup, _ = load_pair(DEMO / "workshop.setup.toml", None)
    view = LiveView(setup.setup, None, "simulated")
    for channel, value in (("coil_current", 0.001165), ("cylinder_pressure", -0.1578)):
        view.line(encode(Sample(channel, value, 10**9, "good")).encode(), 10**9)
    rows = {row["name"]: row["shown"] for row in view.facts(10**9)["inputs"]}
    assert (rows["Coil current"], rows["Cylinder pressure"]) == ("0.00 A", "0 kPa")


def test_a_stroke_cut_short_is_neither_answered_nor_missed() -> None:
    setup, _ = load_pair(DEMO / "workshop.setup.toml", None)
    view = LiveView(setup.setup, None, "simulated")
    for record in (
        Level("switch", 1, 1),
        Level("readback", 0, 1),
        Command(True, 10**9, 10**9, 1),
        Command(False, 10**9 + 5_000_000, 10**9 + 5_000_000, 1),
        End("aborted", "confirmed off", 2 * 10**9),
    ):
        view.line(encode(record).encode(), 1)
    facts = view.facts(1)
    assert (facts["missed"], facts["dots"]) == (0, [])


def test_bands_are_the_sheets_limits() -> None:
    _, sheet = load_pair(DEMO / "workshop.setup.toml", DEMO / "workshop.sheet.toml")
    assert sheet is not None
    shown = bands(sheet.sheet)
    assert shown["response"]["max"] == 80.0
    assert bands(None) == {}


@pytest.mark.parametrize("line", [b"[", b'["Q",1]', b"{", b"", b"\xff"])
def test_a_line_that_is_neither_is_refused(line: bytes) -> None:
    setup, _ = load_pair(DEMO / "workshop.setup.toml", None)
    with pytest.raises(ValueError):
        LiveView(setup.setup, None, "simulated").line(line, 1)


# -- the best-equipped rig: a pulse line beside the switch, and channels of the converter


def engine_view() -> LiveView:
    setup, sheet = load_pair(DEMO / "engine.setup.toml", DEMO / "workshop.sheet.toml")
    return LiveView(setup.setup, sheet.sheet if sheet else None, "simulated")


def line(record: object) -> bytes:
    return encode(record).encode()  # type: ignore[arg-type]


def test_each_timed_line_has_a_lane_of_its_own() -> None:
    view = engine_view()
    for record in (
        Command(True, 1_000_000_000, 1_000_000_010, 1),
        Edge("engine_speed", 1, 1_002_000_000, 1, "plant"),
        Edge("readback", 1, 1_008_000_000, 1, "plant"),
        Edge("engine_speed", 0, 1_009_000_000, 2, "plant"),
        Edge("switch", 0, 1_050_000_000, 1, "plant"),
    ):
        view.line(line(record), 1)
    stroke = view.facts(1_060_000_000)["stroke"]
    assert stroke["switch"] == [[50.0, 1.0]], "pulses are no switch contact"
    assert stroke["coil"] == [[8.0, 1.0]]
    assert stroke["lines"] == {"engine_speed": [[2.0, 1.0], [9.0, 0.0]]}


def test_the_latest_points_of_a_long_stroke_are_kept() -> None:
    view = engine_view()
    view.line(line(Command(True, 10**9, 10**9, 1)), 1)
    for n in range(3 * POINTS_MOST):
        view.line(line(Edge("engine_speed", n % 2, 10**9 + n * 10**6, n + 1, "plant")), 1)
    kept = view.facts(1)["stroke"]["lines"]["engine_speed"]
    assert len(kept) == POINTS_MOST and kept[-1][0] == 3 * POINTS_MOST - 1


def test_fast_channels_are_shown_by_their_lowest_and_highest() -> None:
    view = engine_view()
    view.line(line(Command(True, 10**9, 10**9, 1)), 1)
    quick = Block("coil_current", 10**9 - 10**6, [500_000] * 7,
                  [9, 9, 0, 3, 1, 1, 8, 2], -0.1, 1.0, 5_000, [[0, "good"]])  # fmt: skip
    view.line(line(quick), 1)
    course = view.facts(1)["stroke"]["channels"]["coil_current"]
    # by hand: two readings a millisecond from the command on, 1 - 0.1 * code; the first two are
    # from before it
    assert course["unit"] == "A" and course["step_ms"] == 1.0
    assert course["low"] == [0.7, 0.9, 0.2] and course["high"] == [1.0, 0.9, 0.8]


def test_a_spike_is_never_lost_however_long_the_stroke() -> None:
    view = engine_view()
    view.line(line(Command(True, 10**9, 10**9, 1)), 1)
    for n in range(2_000):  # 10 s in blocks of 5 ms
        codes = [100] * 10
        codes[3] = 4_000 if n == 777 else 100
        view.line(line(Block("pressure", 10**9 + n * 5_000_000, [500_000] * 9, codes, 0.1, 0.0,
                             5_000, [[0, "good"]])), 1)  # fmt: skip
    course = view.facts(11 * 10**9)["stroke"]["channels"]["pressure"]
    assert len(course["low"]) <= 2 * INTERVALS_MOST
    spike = (777 * 5 + 1.5) / course["step_ms"]
    assert [n for n, high in enumerate(course["high"]) if high > 10] == [int(spike)]
    assert course["high"][int(spike)] == 400.0 and set(course["low"]) == {10.0}
    rows = {row["name"]: row for row in view.facts(11 * 10**9)["inputs"]}
    assert rows["Pressure"]["shown"] == "10 kPa"


def test_readings_that_are_not_believed_are_not_drawn() -> None:
    view = engine_view()
    view.line(line(Command(True, 10**9, 10**9, 1)), 1)
    view.line(line(Block("coil_current", 10**9, [10**6] * 3, [1, 50, 50, 2], 1.0, 0.0, 5_000,
                         [[0, "good"], [1, "in the fault band"], [3, "good"]])), 1)  # fmt: skip
    assert view.facts(1)["stroke"]["channels"]["coil_current"]["high"] == [1.0, None, None, 2.0]


def test_a_run_of_the_engine_shows_every_channel_as_it_was_recorded() -> None:
    setup, short, lines = fast_run("engine.setup.toml", "workshop.sheet.toml", strokes=2)
    view = LiveView(setup, short, "simulated")
    told, readings, closed = 0, {}, 0
    for text in lines:
        view.line(text, 1)
        record = decode(text)
        if isinstance(record, Command) and record.on:
            told, readings, closed = record.t_ns, {}, 0
        elif isinstance(record, Edge):
            closed += record.line == "switch"
        elif isinstance(record, Block):
            t_ns = record.t_ns
            for step, code in zip([0, *record.steps_ns], record.codes, strict=True):
                t_ns += step
                if t_ns >= told:
                    value = record.offset + record.scale * code
                    readings.setdefault(record.channel, []).append(value)
    stroke = view.facts(1)["stroke"]
    assert set(stroke["channels"]) == {"pressure", "coil_current", "cylinder_pressure"}
    for name, course in stroke["channels"].items():
        known = [value for value in course["low"] if value is not None]
        assert min(known) == pytest.approx(min(readings[name]), abs=6e-4)
        assert max(v for v in course["high"] if v is not None) == pytest.approx(
            max(readings[name]), abs=6e-4
        )
    assert len(stroke["lines"]["engine_speed"]) > 5
    assert len(stroke["switch"]) == 1 + closed, "pulses, or edges lost"
