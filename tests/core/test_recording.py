# SPDX-License-Identifier: MIT
"""Records gathered into arrays: every value once, in order, unaltered."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.core import records as rec
from rig.core.recording import RecordingBuilder

RECORDS: list[rec.Record] = [
    rec.Step("settle", 0, 1_000),
    rec.Level("switch", 1, 1_100),
    rec.Sample("pressure", 210.5, 1_200, rec.GOOD),
    rec.Command(True, 2_000, 2_050, 1),
    rec.Edge("readback", 1, 2_010_000, 1, "kernel"),
    rec.Edge("switch", 0, 2_020_000, 1, "kernel"),
    rec.Sample("pressure", None, 2_030_000, "lost"),
    rec.Sample("pressure", 999.0, 2_040_000, "out of range"),
    rec.Condition("sequence gap", 2_050_000, "switch 1 to 3"),
    rec.Edge("switch", 1, 2_060_000, 3, "kernel"),
    rec.Command(False, 3_000_000, 3_000_040, 1),
    rec.Trip("on time", 1.0, 0.5, "s", 3_000_100, "too long"),
    rec.End("tripped", "confirmed off", 3_000_200),
]


def test_every_record_arrives_once() -> None:
    recording = RecordingBuilder("board", 0, 1).add_all(RECORDS).build()
    assert recording.source == "board"
    assert recording.t0_ns == 1_000
    assert (recording.switch_closed_level, recording.readback_live_level) == (0, 1)
    switch = recording.edges["switch"]
    assert switch.t_ns.tolist() == [2_020_000, 2_060_000]
    assert switch.level.tolist() == [0, 1]
    assert switch.sequence.tolist() == [1, 3]
    assert recording.edges["readback"].t_ns.tolist() == [2_010_000]
    assert recording.levels["switch"].level.tolist() == [1]
    pressure = recording.samples["pressure"]
    assert pressure.good.tolist() == [True, False, False]
    assert np.isnan(pressure.value[1])
    assert pressure.value[[0, 2]].tolist() == [210.5, 999.0]
    commands = recording.commands
    assert commands.on.tolist() == [True, False]
    assert commands.t_ns.tolist() == [2_000, 3_000_000]
    assert commands.done_ns.tolist() == [2_050, 3_000_040]
    assert commands.stroke.tolist() == [1, 1]
    assert recording.conditions == [RECORDS[8]]
    assert recording.steps == [RECORDS[0]]
    assert recording.trips == [RECORDS[11]]
    assert recording.end == RECORDS[12]


def test_from_the_text_of_a_chunk() -> None:
    whole = RecordingBuilder("board").add_lines(rec.encode_lines(RECORDS)).build()
    assert whole.edges["switch"].t_ns.tolist() == [2_020_000, 2_060_000]
    assert whole.end == RECORDS[12]


def test_types_are_those_of_the_arrays() -> None:
    recording = RecordingBuilder("board").add_all(RECORDS).build()
    switch, pressure = recording.edges["switch"], recording.samples["pressure"]
    assert switch.t_ns.dtype == np.int64
    assert switch.level.dtype == np.int8
    assert pressure.value.dtype == np.float64
    assert pressure.good.dtype == np.bool_
    assert recording.commands.on.dtype == np.bool_


def test_nothing_recorded() -> None:
    recording = RecordingBuilder("capture").build()
    assert recording.t0_ns == 0
    assert recording.edges == {}
    assert recording.end is None
    assert len(recording.commands.t_ns) == 0
    assert recording.commands.on.dtype == np.bool_


def test_a_recording_does_not_change_when_more_arrives() -> None:
    builder = RecordingBuilder("board").add_all(RECORDS[:6])
    early = builder.build()
    builder.add_all(RECORDS[6:])
    assert len(early.edges["switch"].t_ns) == 1
    assert early.conditions == []
    assert len(builder.build().edges["switch"].t_ns) == 2


def test_a_broken_line_is_not_swallowed() -> None:
    with pytest.raises(ValueError, match="not a record"):
        RecordingBuilder("board").add_lines(rec.encode_lines(RECORDS[:2]) + b'["E","swi')


@given(st.lists(st.integers(-(2**62), 2**62), min_size=1))
def test_times_are_kept_to_the_nanosecond(times: list[int]) -> None:
    records = [rec.Edge("switch", n % 2, t_ns, n, "kernel") for n, t_ns in enumerate(times)]
    recording = RecordingBuilder("board").add_all(records).build()
    assert recording.edges["switch"].t_ns.tolist() == times


def test_the_level_a_line_started_at() -> None:
    recording = RecordingBuilder("board").add_all(RECORDS).build()
    assert recording.start_level("switch") == 1  # polled before its first edge
    assert recording.start_level("readback") == 0  # its first edge led to 1
    assert recording.start_level("nothing") is None
