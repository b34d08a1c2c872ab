# SPDX-License-Identifier: MIT
"""A window of the traces against a plain, slow reading of the same records."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from written_runs import MS, START_NS, Made, records

from rig.analysis.measure.stroke_windows import stroke_windows
from rig.core.figures import figures_of
from rig.core.recording import RecordingBuilder
from rig.core.records import READBACK, SWITCH, Command, Condition, Edge, Level, Record, Sample
from rig.report import plots
from webui.charts import overlay, strokes, timeline


def build(found: list[Record], closed: int = 0, live: int = 1) -> timeline.Recording:
    return RecordingBuilder("simulated", closed, live).add_all(found).build()


def level_at(lane: timeline.Lane, t_ns: int) -> int | None:
    """The level just after `t_ns`, read change by change."""
    level = lane.before if t_ns >= lane.known_from_ns else None
    for at, after in zip(lane.t_ns.tolist(), lane.level.tolist(), strict=True):
        if at <= t_ns:
            level = after
    return level


edge_lists = st.lists(
    st.tuples(st.integers(0, 10**9), st.integers(0, 1)), max_size=60, unique_by=lambda e: e[0]
).map(sorted)


@given(edge_lists, st.integers(0, 10**9), st.integers(1, 10**9), st.sampled_from((20, 40, 5_000)))
def test_a_lane_window_opens_ends_and_changes_as_recorded(
    found: list[tuple[int, int]], from_ns: int, lasts_ns: int, limit: int
) -> None:
    recording = build(
        [Level(SWITCH, 1, 0)]
        + [Edge(SWITCH, v, t, i, "plant") for i, (t, v) in enumerate(found, 1)]
    )
    lane = next(lane for lane in timeline.lanes(recording) if lane.name == SWITCH)
    to_ns = from_ns + lasts_ns
    t_ns, level = timeline.lane_window(lane, from_ns, to_ns, limit)
    assert len(t_ns) == len(level) <= limit
    assert (np.diff(t_ns) >= 0).all()
    assert (t_ns[0], t_ns[-1]) == (from_ns, to_ns)
    assert level[-1] == level_at(lane, to_ns)
    inside = [(t, 1 - v) for t, v in found if from_ns < t <= to_ns]  # closed reads low
    shown = list(zip(t_ns.tolist(), level, strict=True))[1:-1]
    assert set(shown) <= set(inside)  # nothing is invented
    if len(inside) <= limit - 3:
        assert shown == inside
        assert level[0] == level_at(lane, from_ns)


def test_the_words_of_a_lane_follow_the_wiring() -> None:
    edges: list[Record] = [Edge(SWITCH, 0, 100, 1, "kernel"), Edge(READBACK, 1, 200, 1, "kernel")]
    low_closes = {lane.name: lane for lane in timeline.lanes(build(edges, closed=0, live=1))}
    high_closes = {lane.name: lane for lane in timeline.lanes(build(edges, closed=1, live=0))}
    assert (low_closes[SWITCH].before, low_closes[SWITCH].level.tolist()) == (0, [1])
    assert (high_closes[SWITCH].before, high_closes[SWITCH].level.tolist()) == (1, [0])
    assert (low_closes[READBACK].before, low_closes[READBACK].level.tolist()) == (0, [1])
    assert (high_closes[READBACK].before, high_closes[READBACK].level.tolist()) == (1, [0])
    assert low_closes[SWITCH].high_word == "closed"
    assert low_closes[READBACK].high_word == "live"


def test_before_the_first_poll_a_level_is_not_known() -> None:
    recording = build([Command(False, 0, 10, 0), Level(SWITCH, 0, 500)])
    lane = timeline.lanes(recording)[1]
    t_ns, level = timeline.lane_window(lane, 0, 1_000, 5_000)
    assert list(zip(t_ns.tolist(), level, strict=True)) == [(0, None), (500, 1), (1_000, 1)]


def test_a_line_that_was_not_wired_has_no_lane() -> None:
    recording = build([Command(True, 0, 10, 1)])
    assert [lane.name for lane in timeline.lanes(recording)] == ["command"]


def test_a_bad_reading_is_a_gap_and_never_a_number() -> None:
    recording = build([
        Sample("pressure", 300.0, 0, "good"),
        Sample("pressure", None, 10 * MS, "garbage"),
        Sample("pressure", 9_999.0, 20 * MS, "out of range"),
        Sample("pressure", 310.0, 30 * MS, "good"),
    ])  # fmt: skip
    channel = timeline.traces(recording, 0, 30 * MS)["channels"][0]
    assert channel["value"] == [300.0, None, None, 310.0]
    assert channel["t_ms"] == [0.0, 10.0, 20.0, 30.0]
    assert channel["unit"] == "kPa"


def test_the_line_of_samples_enters_and_leaves_the_window() -> None:
    recording = build([Sample("pressure", float(i), i * MS, "good") for i in range(10)])
    channel = timeline.traces(recording, 3 * MS + 1, 5 * MS + 1)["channels"][0]
    assert channel["t_ms"] == [3.0, 4.0, 5.0, 6.0]


def test_milliseconds_keep_the_nanosecond() -> None:
    recording = build([Command(True, START_NS, START_NS, 1)])
    after_a_day = START_NS + 86_400 * 1_000 * MS + 1
    assert timeline.to_ms(after_a_day, recording) == 86_400_000.000001


def test_marks_stand_where_they_happened() -> None:
    recording = build([
        Command(True, 0, 10, 1),
        Condition("gauge lost", 5 * MS, "unplugged"),
        Condition("sequence gap", 50 * MS, "2 edges"),
    ])  # fmt: skip
    marks = timeline.traces(recording, 0, 10 * MS)["marks"]
    assert marks == [{
        "t_ms": 5.0, "class": "doubt", "id": "mark.gauge-lost", "kind": "gauge lost",
        "detail": "unplugged",
    }]  # fmt: skip


def test_times_of_a_stroke_are_those_written() -> None:
    made = Made(strokes=5, live_ms=8.0)
    recording = build(list(records(made)))
    assert stroke_windows(recording).number.tolist() == [1, 2, 3, 4, 5]
    times = strokes.times(recording, 3)
    assert times is not None
    on_ns = START_NS + int(made.on_at(3)) * MS
    assert times == strokes.StrokeTimes(
        3,
        on_ns,
        on_ns + 500 * MS,
        on_ns + 1_000 * MS,
        on_ns + 8 * MS,
        on_ns + 508 * MS,
    )
    from_ns, to_ns = strokes.window(recording, times, 55.0)
    assert from_ns < on_ns < to_ns < on_ns + 1_000 * MS
    assert strokes.times(recording, 6) is None


def test_a_stroke_whose_coil_never_followed_borrows_no_edge_of_its_neighbours() -> None:
    recording = build([
        Command(True, 0, 1, 1), Edge(READBACK, 1, 8, 1, "kernel"),
        Command(False, 100, 101, 1), Edge(READBACK, 0, 108, 2, "kernel"),
        Command(True, 200, 201, 2), Command(False, 300, 301, 2),
        Command(True, 400, 401, 3), Edge(READBACK, 1, 408, 3, "kernel"),
    ])  # fmt: skip
    times = strokes.times(recording, 2)
    assert times is not None
    assert (times.live_ns, times.dead_ns) == (None, None)
    last = strokes.times(recording, 3)
    assert last is not None
    assert (last.off_ns, last.live_ns, last.dead_ns) == (None, 408, None)


def test_the_release_of_a_tripped_stroke_is_one_everywhere() -> None:
    """The interlock's command off belongs to no stroke; the stroke that it ended was released all
    the same, on page, in report and analysis."""
    recording = build([
        Command(True, 0, 1, 1), Edge(READBACK, 1, 8 * MS, 1, "kernel"),
        Command(False, 100 * MS, 100 * MS + 1, 1), Edge(READBACK, 0, 108 * MS, 2, "kernel"),
        Command(True, 200 * MS, 200 * MS + 1, 2), Edge(READBACK, 1, 208 * MS, 3, "kernel"),
        Command(False, 250 * MS, 250 * MS + 1, 0), Edge(READBACK, 0, 257 * MS, 4, "kernel"),
    ])  # fmt: skip
    windows = stroke_windows(recording)
    assert windows.start_off_ns.tolist() == [108 * MS, 257 * MS]
    laid = overlay.starts(recording, "off")
    assert (laid.number.tolist(), laid.at_ns.tolist()) == ([1, 2], [108 * MS, 257 * MS])
    times = strokes.times(recording, 2)
    assert times is not None
    assert (times.off_ns, times.dead_ns) == (250 * MS, 257 * MS)
    shown = {"kind": "strokes", "summary": {key: {"max": None} for key in figures_of("strokes")}}
    going_on, going_off = plots.trace_plots(shown, recording)
    assert "2 of 2 strokes" in going_on
    assert "2 of 2 strokes" in going_off


def test_a_long_rest_is_cut_but_the_release_always_fits() -> None:
    made = Made(strokes=2, on_ms=100, rest_ms=60_000)
    recording = build(list(records(made)))
    times = strokes.times(recording, 1)
    assert times is not None
    assert times.off_ns is not None
    assert strokes.window(recording, times, None)[1] == times.off_ns + 200 * MS
    assert strokes.window(recording, times, 1_500.0)[1] == times.off_ns + 3_000 * MS
