# SPDX-License-Identifier: MIT
"""Value change dumps read back by an independent reader.

Source: IEEE Std 1364-2005, clause 18 (value change dump files); reader: the package vcdvcd, which
shares no code with the writer.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vcdvcd import VCDVCD

from rig.captures import write_vcd
from rig.core.recording import Recording, RecordingBuilder
from rig.core.records import GOOD, READBACK, SWITCH, Command, Edge, End, Level, Sample

T0 = 1_234_567_890_123_456_789


def recording_of(source: str = "board") -> Recording:
    builder = RecordingBuilder(source, switch_closed_level=0, readback_live_level=1)
    return builder.add_all(
        [
            Level(SWITCH, 1, T0),
            Level(READBACK, 0, T0),
            Sample("pressure", 310.5, T0 + 5, GOOD),
            Command(True, T0 + 1_000_000_000, T0 + 1_000_000_300, 1),
            Edge(READBACK, 1, T0 + 1_008_000_001, 1, "kernel"),
            Edge(SWITCH, 0, T0 + 1_052_345_678, 1, "kernel"),
            Edge(SWITCH, 1, T0 + 1_052_900_000, 2, "kernel"),
            Edge(SWITCH, 0, T0 + 1_053_700_000, 3, "kernel"),
            Sample("pressure", None, T0 + 1_100_000_000, "garbage"),
            Sample("pressure", 287.25, T0 + 1_200_000_000, GOOD),
            Command(False, T0 + 1_500_000_000, T0 + 1_500_000_300, 1),
            Edge(READBACK, 0, T0 + 1_504_000_000, 2, "kernel"),
            Edge(SWITCH, 1, T0 + 1_541_000_000, 4, "kernel"),
            End("finished", "confirmed off", T0 + 2_000_000_000),
        ]
    ).build()


def dumped(path: Path) -> VCDVCD:
    return VCDVCD(str(path))


def changes(dump: VCDVCD, name: str) -> list[tuple[int, str]]:
    return list(dump[name].tv)


def test_every_edge_stands_at_its_nanosecond(tmp_path):
    path = tmp_path / "run.vcd"
    write_vcd(recording_of(), path)
    dump = dumped(path)
    assert dump.timescale["magnitude"] == 1
    assert dump.timescale["unit"] == "ns"
    assert changes(dump, "rig.command") == [(0, "0"), (1_000_000_000, "1"), (1_500_000_000, "0")]
    assert changes(dump, "rig.coil") == [(0, "0"), (1_008_000_001, "1"), (1_504_000_000, "0")]
    assert changes(dump, "rig.switch") == [
        (0, "0"), (1_052_345_678, "1"), (1_052_900_000, "0"), (1_053_700_000, "1"),
        (1_541_000_000, "0"),
    ]  # fmt: skip
    pressure = [(t, float(v)) for t, v in changes(dump, "rig.pressure_kpa")]
    assert pressure[-1] == (1_200_000_000, 287.25)
    assert (0, 310.5) in pressure
    good = changes(dump, "rig.pressure_good")
    assert good == [(0, "x"), (5, "1"), (1_100_000_000, "0"), (1_200_000_000, "1")]
    assert dump.endtime == 2_000_000_000


@pytest.mark.parametrize(
    ("source", "scope"),
    [
        ("simulated", "SIMULATED"), ("emulated board", "EMULATED_BOARD"), ("board", "rig"),
        ("capture", "rig"),
    ],
)  # fmt: skip
def test_a_simulated_run_says_so_in_the_comment_and_beside_every_trace(tmp_path, source, scope):
    path = tmp_path / "run.vcd"
    write_vcd(recording_of(source), path)
    text = path.read_text()
    comment = re.search(r"\$comment(.*?)\$end", text, re.DOTALL)[1]
    assert ("SIMULATED" in comment) == (source == "simulated")
    assert f"source: {source}" in comment
    assert "$date" not in text  # the same run gives the same file
    assert all(name.startswith(f"{scope}.") for name in dumped(path).signals)


def test_the_same_recording_gives_the_same_bytes(tmp_path):
    write_vcd(recording_of(), tmp_path / "one.vcd")
    write_vcd(recording_of(), tmp_path / "two.vcd")
    assert (tmp_path / "one.vcd").read_bytes() == (tmp_path / "two.vcd").read_bytes()


def test_an_empty_recording_is_a_dump_too(tmp_path):
    write_vcd(RecordingBuilder("board").build(), tmp_path / "run.vcd")
    assert dumped(tmp_path / "run.vcd").signals == ["rig.command"]


@given(
    edges=st.lists(
        st.tuples(st.sampled_from([SWITCH, READBACK]), st.integers(1, 10**9)), max_size=60
    )
)
@settings(max_examples=40)
def test_any_alternating_edges_survive(tmp_path_factory, edges):
    builder = RecordingBuilder("board", 1, 1).add_all([Level(SWITCH, 0, 0), Level(READBACK, 0, 0)])
    level, expected = {SWITCH: 0, READBACK: 0}, {SWITCH: [(0, "0")], READBACK: [(0, "0")]}
    t_ns = 0
    for n, (line, gap) in enumerate(edges, 1):
        t_ns += gap
        level[line] = 1 - level[line]
        builder.add(Edge(line, level[line], t_ns, n, "kernel"))
        expected[line].append((t_ns, str(level[line])))
    path = tmp_path_factory.mktemp("vcd") / "run.vcd"
    write_vcd(builder.build(), path)
    dump = dumped(path)
    assert changes(dump, "rig.switch") == expected[SWITCH]
    assert changes(dump, "rig.coil") == expected[READBACK]
