# SPDX-License-Identifier: MIT
"""Random stroke trains: known truth is recovered, and any edges at all read as the definitions say.

The second test holds the vectorised analysis against the definitions written as plain loops.
"""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from stroke_trains import MS, setup, sheet

from rig.analysis.analyse import analyse
from rig.core.recording import Recording, RecordingBuilder
from rig.core.records import READBACK, SWITCH, Command, Edge, End, Level

WINDOW_NS = 20 * MS
PERIOD_NS = 1000 * MS
ON_NS = 500 * MS

bounce_gaps = st.lists(st.integers(1, WINDOW_NS - 1), max_size=4).map(
    lambda gaps: gaps if len(gaps) % 2 == 0 else gaps[:-1]
)
one_stroke = st.fixed_dictionaries(
    {
        "answered": st.booleans(),
        "live": st.integers(0, 30 * MS),
        "dead": st.integers(0, 30 * MS),
        "first_on": st.integers(0, 300 * MS),
        "first_off": st.integers(0, 300 * MS),
        "on_gaps": bounce_gaps,
        "off_gaps": bounce_gaps,
    }
)


@given(
    strokes=st.lists(one_stroke, min_size=1, max_size=12),
    readback=st.booleans(),
    contact=st.sampled_from(["normally open", "normally closed", "find"]),
    closed_on=st.booleans(),
    closed_level=st.integers(0, 1),
    live_level=st.integers(0, 1),
    t0=st.integers(0, 1 << 60),
)
@settings(max_examples=150)
def test_known_truth_is_recovered_exactly(
    strokes, readback, contact, closed_on, closed_level, live_level, t0
):
    if contact != "find":
        closed_on = contact == "normally open"
    on_level = closed_level if closed_on else 1 - closed_level
    records = [Level(SWITCH, 1 - on_level, t0)]
    if readback:
        records.append(Level(READBACK, 1 - live_level, t0))
    switch, coil = [], []
    truth = []
    for number, stroke in enumerate(strokes, 1):
        at = t0 + number * PERIOD_NS
        off = at + ON_NS
        records += [Command(True, at, at, number), Command(False, off, off, number)]
        live, dead = (at + stroke["live"], off + stroke["dead"]) if readback else (at, off)
        coil += [(live, live_level), (dead, 1 - live_level)]
        row = [math.nan] * 4 + [-1, -1]
        if stroke["answered"]:
            ons = list(np.cumsum([live + stroke["first_on"], *stroke["on_gaps"]]))
            offs = list(np.cumsum([dead + stroke["first_off"], *stroke["off_gaps"]]))
            levels = [on_level, 1 - on_level] * 3
            switch += list(zip(ons, levels, strict=False))
            switch += list(zip(offs, levels[1:], strict=False))
            times = [ons[-1] - live, offs[-1] - dead, ons[0] - live, offs[0] - dead]
            row = [int(t) / MS for t in times] + [len(ons) - 1, len(offs) - 1]
        truth.append(row)
    for line, edges in ((SWITCH, switch), (READBACK, coil if readback else [])):
        records += [Edge(line, lv, int(t), n, "kernel") for n, (t, lv) in enumerate(edges, 1)]
    end = t0 + (len(strokes) + 1) * PERIOD_NS
    records.append(End("finished", "confirmed off", end))
    recording = RecordingBuilder("board", closed_level, live_level).add_all(records).build()
    result = analyse(recording, setup(contact, readback=readback), sheet(strokes=len(strokes)))
    table = result.strokes
    found = np.stack(
        (
            table.response_ms, table.release_ms, table.first_edge_on_ms, table.first_edge_off_ms,
            table.bounce_on, table.bounce_off,
        ),
        axis=1,
    )  # fmt: skip
    np.testing.assert_array_equal(found, np.array(truth))
    answered = [stroke["answered"] for stroke in strokes]
    assert table.answered.tolist() == answered
    assert table.settled.tolist() == answered
    assert table.missed.tolist() == [not one for one in answered]
    assert result.unexpected_edges == 0
    assert table.number.tolist() == list(range(1, len(strokes) + 1))
    if any(answered):
        sense = "normally open" if closed_on else "normally closed"
        assert result.contact.sense == sense


def by_the_definitions(recording: Recording, window_ns: int) -> list[dict[str, object]]:
    """Response, release, first edges and bounce of every stroke, as plain loops."""
    commands = list(
        zip(
            recording.commands.t_ns.tolist(), recording.commands.on.tolist(),
            recording.commands.stroke.tolist(), strict=True,
        )
    )  # fmt: skip
    edges = []
    if SWITCH in recording.edges:
        series = recording.edges[SWITCH]
        closed = recording.switch_closed_level
        edges = [
            (t, level == closed)
            for t, level in zip(series.t_ns.tolist(), series.level.tolist(), strict=True)
        ]
    coil = []
    if READBACK in recording.edges:
        series = recording.edges[READBACK]
        coil = [
            (t, level == recording.readback_live_level)
            for t, level in zip(series.t_ns.tolist(), series.level.tolist(), strict=True)
        ]
    end = recording.end.t_ns
    strokes = []
    for place, (on_ns, on, number) in enumerate(commands):
        if on:
            off_ns = commands[place + 1][0] if place + 1 < len(commands) else None
            next_ns = commands[place + 2][0] if place + 2 < len(commands) else None
            strokes.append([number, on_ns, off_ns, next_ns])
    rows = []
    parts = []
    for number, on_ns, off_ns, next_ns in strokes:
        late = off_ns if off_ns is not None else math.inf
        live = next((t for t, is_live in coil if is_live and on_ns <= t < late), None)
        dead = None
        if off_ns is not None:
            until = next_ns if next_ns is not None else math.inf
            dead = next((t for t, is_live in coil if not is_live and off_ns <= t < until), None)
        parts.append((number, on_ns, off_ns, next_ns, live, dead))
    for place, (number, on_ns, off_ns, next_ns, live, dead) in enumerate(parts):
        start_on = live if live is not None else on_ns
        start_off = dead if dead is not None else off_ns
        stop_on = start_off if start_off is not None else math.inf
        row = {"number": number, "settled": True}
        following = parts[place + 1] if place + 1 < len(parts) else None
        stop_off = math.inf
        if following is not None:
            stop_off = following[4] if following[4] is not None else following[1]
        for name, want, start, stop, ref, deadline in (
            ("on", True, start_on, stop_on, live, off_ns),
            ("off", False, start_off, stop_off, dead, next_ns),
        ):
            first = settled = None
            bounce = -1
            if start is not None:
                inside = [(n, t, on) for n, (t, on) in enumerate(edges) if start <= t < stop]
                wanted = [(n, t) for n, t, on in inside if on is want]
                first = wanted[0] if wanted else None
                for n, t in wanted:
                    after = [edges[n + 1][0]] if n + 1 < len(edges) else []
                    after += [deadline] if deadline is not None else []
                    if min([*after, end]) - t >= window_ns:
                        settled, bounce = (n, t), n - first[0]
                        break
            row["settled"] &= settled is not None
            row[f"bounce_{name}"] = bounce
            row[f"first_{name}"] = (first[1] - ref) / MS if first and ref is not None else None
            row[f"time_{name}"] = (settled[1] - ref) / MS if settled and ref is not None else None
            row[f"any_{name}"] = first is not None
        rows.append(row)
    return rows


raw_times = st.lists(st.integers(0, 300), max_size=60).map(sorted)


@given(
    commands=st.lists(st.integers(1, 300), max_size=8, unique=True).map(sorted),
    switch=raw_times,
    levels=st.lists(st.booleans(), min_size=60, max_size=60),
    coil=raw_times,
    coil_levels=st.lists(st.booleans(), min_size=60, max_size=60),
    alternate=st.booleans(),
)
@settings(max_examples=300)
def test_any_edges_at_all_read_as_the_definitions_say(
    commands, switch, levels, coil, coil_levels, alternate
):
    """Times on a grid of 5 ms, so that ties and exact windows happen often."""
    grid = 5 * MS
    records = [Level(SWITCH, 0, 0), Level(READBACK, 0, 0)]
    on = False
    for number, at in enumerate(commands):
        on = not on
        records.append(Command(on, at * grid, at * grid, number // 2 + 1))
    for line, times, values in ((SWITCH, switch, levels), (READBACK, coil, coil_levels)):
        for n, (at, level) in enumerate(zip(times, values, strict=False)):
            reads = 1 - n % 2 if alternate else int(level)
            records.append(Edge(line, reads, at * grid, n + 1, "kernel"))
    records.append(End("finished", "confirmed off", 310 * grid))
    recording = RecordingBuilder("board", 1, 1).add_all(records).build()
    table = analyse(recording, setup("normally open"), sheet()).strokes
    expected = by_the_definitions(recording, WINDOW_NS)
    assert len(table) == len(expected)
    for row, want in enumerate(expected):
        have = {
            "number": int(table.number[row]),
            "settled": bool(table.settled[row]),
            "bounce_on": int(table.bounce_on[row]),
            "bounce_off": int(table.bounce_off[row]),
            "time_on": none(table.response_ms[row]),
            "time_off": none(table.release_ms[row]),
            "first_off": none(table.first_edge_off_ms[row]),
        }
        if want["any_on"]:
            have["first_on"] = none(table.first_edge_on_ms[row])
            assert table.answered[row]
        assert have == {name: want[name] for name in have}
        assert table.marks(row) == list(dict.fromkeys(table.marks(row)))


def none(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def test_ten_thousand_strokes_stay_small():
    """Results are columns: a few megabytes, however many strokes."""
    n = 10_000
    on = np.arange(1, n + 1) * PERIOD_NS
    builder = RecordingBuilder("board", 1, 1)
    builder.add(Level(SWITCH, 0, 0))
    for number, at in enumerate(on.tolist(), 1):
        builder.add(Command(True, at, at, number))
        builder.add(Edge(SWITCH, 1, at + 50 * MS, 2 * number - 1, "kernel"))
        builder.add(Command(False, at + ON_NS, at + ON_NS, number))
        builder.add(Edge(SWITCH, 0, at + ON_NS + 40 * MS, 2 * number, "kernel"))
    builder.add(End("finished", "confirmed off", int(on[-1]) + PERIOD_NS))
    table = analyse(builder.build(), setup(readback=False), sheet(strokes=n)).strokes
    columns = [column for column in vars(table).values() if isinstance(column, np.ndarray)]
    assert len(table) == n
    assert sum(column.nbytes for column in columns) < 200 * n
    assert table.extra == {}
