# SPDX-License-Identifier: MIT
"""What is written as CSV is read back with the same times to the nanosecond."""

from __future__ import annotations

import csv
import json
import math
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from setups import board

from rig.analysis.analyse import analyse
from rig.analysis.measure import marks
from rig.captures import read_csv, write_csv, write_json, write_vcd
from rig.core import records as rec
from rig.core.recording import Recording, RecordingBuilder
from rig.core.records import GOOD, READBACK, SWITCH
from rig.results.run_json import run_json

RIG = board(coil={"feed_side": "ground"}, switch={"pull": "down"}, readback={"line": 23})


def recording_of(source: str, t0: int, gaps, samples, readback=True) -> Recording:
    builder = RecordingBuilder(source, RIG.switch_closed_level, RIG.coil_live_level)
    builder.add(rec.Level(SWITCH, 0, t0))
    if readback:
        builder.add(rec.Level(READBACK, 1, t0))
    t_ns, counts, levels = (
        t0 + 5,
        {SWITCH: 0, READBACK: 0},
        {SWITCH: 0, READBACK: 1},
    )
    on, stroke = False, 0
    for which, gap in gaps:
        t_ns += gap
        if which == "command":
            on = not on
            stroke += on
            builder.add(rec.Command(on, t_ns, t_ns + 3, stroke))
        elif which == SWITCH or readback:
            counts[which] += 1
            levels[which] = 1 - levels[which]
            builder.add(rec.Edge(which, levels[which], t_ns, counts[which], "kernel"))
    for at, value, quality in samples:
        builder.add(rec.Sample("pressure", value, t0 + at, quality))
    builder.add(rec.End("finished", "confirmed off", t_ns + 1000))
    return builder.build()


gaps = st.lists(
    st.tuples(st.sampled_from(["command", SWITCH, READBACK]), st.integers(0, 10**10)),
    max_size=40,
)
readings = st.lists(
    st.tuples(
        st.integers(0, 10**11),
        st.floats(-1e5, 1e5),
        st.sampled_from([GOOD, GOOD, "out of range"]),
    ),
    max_size=20,
    unique_by=lambda row: row[0],
).map(sorted)


@given(
    source=st.sampled_from(["simulated", "board", "capture"]),
    t0=st.integers(0, 1 << 60),
    gaps=gaps,
    samples=readings,
    readback=st.booleans(),
)
@settings(max_examples=100)
def test_round_trip(source, t0, gaps, samples, readback):
    recording = recording_of(source, t0, gaps, samples, readback)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "run.csv"
        write_csv(recording, path)
        again = read_csv(path, RIG)
        text = path.read_text()
    t0 = recording.t0_ns  # the first record: the level polled at the start
    assert again.commands.t_ns.tolist() == (recording.commands.t_ns - t0).tolist()
    assert again.commands.on.tolist() == recording.commands.on.tolist()
    assert again.commands.stroke.tolist() == recording.commands.stroke.tolist()
    assert again.edges.keys() == recording.edges.keys()
    for line, edges in recording.edges.items():
        assert again.edges[line].t_ns.tolist() == (edges.t_ns - t0).tolist()
        assert again.edges[line].level.tolist() == edges.level.tolist()
    for line in (SWITCH, READBACK):
        assert again.start_level(line) == recording.start_level(line)
    if samples:
        have, want = again.samples["pressure"], recording.samples["pressure"]
        assert have.t_ns.tolist() == (want.t_ns - t0).tolist()
        assert have.value.tolist() == want.value.tolist()
        assert have.good.tolist() == want.good.tolist()
    last = max([recording.end.t_ns, *(t0 + at for at, _, _ in samples)])
    assert again.steps[-1].t_ns == last - t0
    assert ("SIMULATED" in text) == (source == "simulated")


def test_a_reading_without_a_value_stays_bad(tmp_path):
    recording = recording_of(
        "board", 100, [(SWITCH, 10)], [(0, 5.0, GOOD), (10, None, "garbage"), (20, 6.0, GOOD)]
    )
    write_csv(recording, tmp_path / "run.csv")
    pressure = read_csv(tmp_path / "run.csv", RIG).samples["pressure"]
    assert pressure.good.tolist() == [True, False, True]
    assert math.isnan(pressure.value[1])


def test_the_file_is_plain_csv_with_its_source_above(tmp_path):
    recording = recording_of(
        "simulated",
        10,
        [("command", 10), (READBACK, 10), (SWITCH, 15)],
        [(7, 51.5, GOOD)],
    )
    write_csv(recording, tmp_path / "run.csv")
    lines = (tmp_path / "run.csv").read_text().splitlines()
    assert lines[0].startswith("# SIMULATED")
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert list(rows[0]) == ["time_s", "command", "coil", "switch", "pressure_kpa"]
    assert rows == [
        dict(zip(rows[0], values, strict=True))
        for values in (
            ["0.000000000", "0", "0", "0", ""],
            ["0.000000007", "", "", "", "51.5"],
            ["0.000000015", "1", "", "", ""],
            ["0.000000025", "", "1", "", ""],
            ["0.000000040", "", "", "1", ""],
            ["0.000001040", "", "", "", ""],
        )
    ]


def test_json_holds_result_and_records_with_whole_nanoseconds(tmp_path):
    recording = recording_of(
        "simulated", 1 << 60, [("command", 10), (READBACK, 10), (SWITCH, 15)],
        [(0, 5.0, GOOD), (10, None, "garbage")],
    )  # fmt: skip
    recording.conditions.append(rec.Condition("gauge lost", (1 << 60) + 5, "unplugged"))
    recording.trips.append(rec.Trip("on time", 11.0, 10.0, "s", (1 << 60) + 9, "too long"))
    recording.steps.append(rec.Step("settle", 0, 1 << 60))
    write_json({"run": 3, "strokes": []}, recording, tmp_path / "run.json")
    data = json.loads((tmp_path / "run.json").read_text(), parse_constant=pytest.fail)
    assert data["source"] == "simulated"
    assert data["notice"].startswith("SIMULATED")
    assert data["result"] == {"run": 3, "strokes": []}
    records = data["records"]
    assert records["t0_ns"] == 1 << 60
    assert records["commands"] == {"t_ns": [15], "done_ns": [18], "on": [True], "stroke": [1]}
    assert records["edges"]["switch"] == {"t_ns": [40], "level": [1], "sequence": [1]}
    assert records["samples"]["pressure kPa"] == {
        "t_ns": [0, 10], "value": [5.0, None], "good": [True, False],
    }  # fmt: skip
    assert records["conditions"] == [{"kind": "gauge lost", "t_ns": 5, "detail": "unplugged"}]
    assert records["trips"][0]["t_ns"] == 9
    assert records["end"]["reason"] == "finished"
    assert records["switch_closed_level"] == 1


def test_json_in_parts_is_one_array(tmp_path, monkeypatch):
    monkeypatch.setattr("rig.captures.json_out.AT_ONCE", 3)
    recording = recording_of("board", 0, [(SWITCH, 10)] * 10, [])
    write_json({}, recording, tmp_path / "run.json")
    data = json.loads((tmp_path / "run.json").read_text())
    assert data["notice"] is None
    assert data["records"]["edges"]["switch"]["t_ns"] == [5 + 10 * n for n in range(1, 11)]


@pytest.mark.parametrize("write", [write_csv, lambda r, p: write_json({}, r, p)])
def test_nothing_is_left_of_a_file_that_could_not_be_written(tmp_path, write, monkeypatch):
    path = tmp_path / "run.out"
    path.write_text("before")
    broken = recording_of("board", 0, [(SWITCH, 10)], [(0, 5.0, GOOD)])
    monkeypatch.setitem(broken.samples, "no such channel", broken.samples["pressure"])
    monkeypatch.setattr("rig.captures.csv_out._COLUMN_OF", {"pressure": None, "no such channel": 7})
    monkeypatch.setattr("rig.captures.csv_out._seconds", lambda ns: 1 / 0)
    with pytest.raises((KeyError, ZeroDivisionError)):
        write(broken, path)
    assert path.read_text() == "before"
    assert [p.name for p in tmp_path.iterdir()] == ["run.out"]


def test_empty_recording(tmp_path):
    recording = RecordingBuilder("board").build()
    write_csv(recording, tmp_path / "run.csv")
    again = tmp_path / "run.csv"
    assert again.read_text().splitlines()[-1] == "0.000000000,0"
    assert np.array(recording.commands.t_ns).size == 0


@pytest.mark.parametrize("source", ["simulated", "emulated board"])
def test_an_exported_run_does_not_become_a_measurement_by_being_read_again(tmp_path, source):
    gaps = [
        ("command", 10),
        (SWITCH, 50_000_000),
        ("command", 500_000_000),
        (SWITCH, 40_000_000),
    ]
    write_csv(recording_of(source, 0, gaps, [], readback=False), tmp_path / "run.csv")
    again = read_csv(tmp_path / "run.csv", RIG)
    assert (again.source, again.shown_source) == ("capture", source)
    shape = run_json(analyse(again, RIG, None))
    assert (shape["source"], shape["status"]) == (source, "captured")
    assert shape["strokes"][0]["marks"] == [marks.HELD]  # the settle window reaches past the end
    write_csv(again, tmp_path / "again.csv")
    assert read_csv(tmp_path / "again.csv", RIG).shown_source == source
    write_vcd(again, tmp_path / "again.vcd")
    assert source.upper() in (tmp_path / "again.vcd").read_text()
    write_json(shape, again, tmp_path / "again.json")
    assert json.loads((tmp_path / "again.json").read_text())["notice"].startswith(source.upper())
