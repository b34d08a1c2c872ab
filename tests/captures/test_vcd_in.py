# SPDX-License-Identifier: MIT
"""Reading value change dumps: what is taken, and every refusal with its words."""

from __future__ import annotations

import numpy as np
import pytest
from capture_rigs import RIG, read_text, refused
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.captures import read_capture, read_vcd, write_vcd
from rig.core.errors import FileProblems
from rig.core.recording import RecordingBuilder
from rig.core.records import GOOD, READBACK, SWITCH, Command, Edge, End, Level, Sample

WIRES = (
    "$scope module top $end\n$var wire 1 ! command $end\n$var wire 1 ? switch $end\n$upscope $end\n"
)
HEAD = "$timescale 1 us $end\n" + WIRES
BODY = "$enddefinitions $end\n"
REAL = "$var real 64 p pressure_psi $end\n"


def dump(changes: str, more: str = "", scale: str = "$timescale 1 us $end\n") -> str:
    return scale + WIRES + more + BODY + changes


def read(folder, text):
    ((name, recording),) = read_text(folder, text, "capture.vcd")
    assert name is None
    return recording


def test_edges_at_their_times(tmp_path):
    recording = read(
        tmp_path,
        dump("#0\n$dumpvars\n0!\n0?\n$end\n#1000\n1!\n#51000\n1?\n#51500\n0?\nb1 ?\n#90000\n"),
    )
    assert recording.source == recording.shown_source == "capture"
    assert recording.commands.t_ns.tolist() == [1_000_000]
    edges = recording.edges["switch"]
    assert edges.t_ns.tolist() == [51_000_000, 51_500_000, 51_500_000]
    assert edges.level.tolist() == [0, 1, 0]  # pull up: closed reads low
    assert recording.steps[-1].t_ns == 90_000_000


@pytest.mark.parametrize(
    ("scale", "steps", "ns"),
    [
        ("1 s", 3, 3_000_000_000), ("10 ms", 7, 70_000_000), ("100us", 7, 700_000),
        ("1 ns", 123_456_789, 123_456_789), ("100 ps", 25, 3), ("1 ps", 1499, 1),
        ("10 fs", 49_999, 0), ("1 fs", 1_500_000, 2),
    ],
)  # fmt: skip
def test_the_timescale_is_kept_to_the_nanosecond(tmp_path, scale, steps, ns):
    text = dump(f"0! 0?\n#{steps}\n1!\n", scale=f"$timescale {scale} $end\n")
    assert read(tmp_path, text).commands.t_ns.tolist() == [ns]


def test_unknown_before_the_first_value_is_no_value_yet(tmp_path):
    recording = read(tmp_path, dump("#0\nx!\nz?\n#5\n0!\n#10\n0?\n#20\n1?\n"))
    assert recording.levels["switch"].t_ns.tolist() == [10_000]
    assert recording.edges["switch"].t_ns.tolist() == [20_000]


def test_readings_at_their_changes_and_what_is_said_of_them(tmp_path):
    wires = REAL + "$var wire 1 g pressure_good $end\n"
    text = "0! 0?\nr5 p\nxg\n#5\n1g\n#10\nr6 p\n#20\n0g\n#30\n1g\nr7.5 p\n#40\nxg\nr9 p\n"
    pressure = read(tmp_path, dump(text, wires)).samples["pressure"]
    assert pressure.t_ns.tolist() == [5_000, 10_000, 20_000, 30_000]
    assert pressure.good.tolist() == [True, True, False, True]
    psi = 6.894757293168361  # NIST SP 811
    assert pressure.value[[0, 1, 3]] == pytest.approx([5 * psi, 6 * psi, 7.5 * psi])
    assert np.isnan(pressure.value[2])


def test_without_a_word_on_them_readings_are_believed(tmp_path):
    pressure = read(tmp_path, dump("0! 0?\nr5 p\n#10\nr-6e-1 p\n", REAL)).samples["pressure"]
    assert (pressure.t_ns.tolist(), pressure.good.tolist()) == ([0, 10_000], [True, True])


def test_other_signals_scopes_case_and_one_signal_twice(tmp_path):
    more = (
        "$scope module D $end\n$var wire 1 d D0 $end\n$var reg 8 e bus [7:0] $end\n"
        "$var wire 1 ! COMMAND $end\n$upscope $end\n"
    )
    recording = read(tmp_path, dump("0! 0?\n1d\nb101 e\n#7\n1!\nxd\n", more))
    assert recording.commands.t_ns.tolist() == [7_000]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "not a value change dump|it ends before $enddefinitions"),
        ("time_s,command,switch\n0,0,0\n", "not a value change dump"),
        (HEAD, "it ends before $enddefinitions"),
        (HEAD + "#0\n", "a value before $enddefinitions (line 6)"),
        (WIRES + BODY + "#0\n0!\n", "no $timescale"),
        (HEAD + "$timescale 1 ns $end\n" + BODY + "#0\n", "line 6|1 ns|a second $timescale"),
        (dump("#0\n", scale="$timescale 5 us $end\n"), "5 us|not a step of 1, 10 or 100"),
        (dump("#0\n", scale="$timescale 1 min $end\n"), "Invalid $timescale unit"),
        (dump(""), "no value at all"),
        (dump("#5\n0! 0?\n#4\n1!\n"), "line 9|#4|earlier than the time before it"),
        (dump("#99999999999999999999\n"), "too large a time"),
        (dump("#" + "9" * 5000 + "\n"), "not a value change dump"),
        (dump("#0\n0!\n0?\n#4\nx?\n"), "signal switch|x|it had a value before"),
        (dump("#0\n0!\n#4\nZ!\n"), "signal command|Z|it had a value before|cut the capture"),
        (dump("#0\nu!\n"), "signal command|u|neither 0, 1, x nor z"),
        (dump("#0\nb10 !\n"), "signal command|2|neither 0, 1, x nor z"),
        (dump("#0\n", "$var wire 2 c coil [1:0] $end\n"), "coil|wire of 2 bits"),
        (dump("#0\n", "$var wire 8 c pressure_kpa $end\n"), "pressure_kpa|wire, not real"),
        (dump("#0\n", "$var real 64 c pressure $end\n"), "a pressure without its unit"),
        (dump("#0\n", "$var wire 1 c coll $end\n"), "coll|much like one of ours|name it coil"),
        (dump("#0\n", "$var wire 1 c switch $end\n"), "a second signal of this name"),
        (dump("#0\n", "$var wire 1 ! coil $end\n"), "the same signal (id !) is command too"),
        (
            dump("#0\n", REAL + "$var real 64 q pressure_kpa $end\n"),
            "pressure_kpa and pressure_psi together|give the pressure once",
        ),
        (
            "$timescale 1 us $end\n$var wire 1 a D0 $end\n$var wire 1 b D1 $end\n" + BODY,
            "no signal switch|name the signal switch (1 = contact closed); the file has D0, D1",
        ),
        (dump("#0\nrnan p\n", REAL), "signal pressure_psi|nan|not a finite real"),
        (dump("#0\nr1e999 p\n", REAL), "signal pressure_psi|inf|not a finite real"),
        (dump("#0\nb101 p\n", REAL), "signal pressure_psi|5|not a finite real"),
        (dump("#0\nr5..4 p\n", REAL), "Expected real value"),
        (dump("#0\nnonsense\n"), "not a value change dump"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "not a text file"),
        (dump("#0\n").encode() + b"\xff\xfe", "not a value change dump"),
    ],
)
def test_refusals(tmp_path, text, words):
    found = refused(tmp_path, text, "capture.vcd")
    assert any(all(part in line for part in words.split("|")) for line in found), found


def test_every_problem_of_the_body_at_once(tmp_path):
    found = refused(tmp_path, dump("#9\n0! 0?\n#8\nx!\nx?\n#7\n"), "capture.vcd")
    assert [line.split("|")[0] for line in found] == [
        "line 9", "line 10, signal command", "line 11, signal switch", "line 12",
    ]  # fmt: skip


def test_a_dump_is_known_by_how_it_begins(tmp_path):
    assert read_text(tmp_path, "\n $comment x $end\n" + dump("#0\n0!\n"), "capture.txt")
    assert read_text(tmp_path, "time_s,command,switch\n0,0,0\n", "capture.txt")


def test_no_such_file_and_a_directory(tmp_path):
    (tmp_path / "folder.vcd").mkdir()
    for name, words in (("folder.vcd", "a directory"), ("none.vcd", "no such file")):
        for read_one in (read_vcd, read_capture):
            with pytest.raises(FileProblems, match=words):
                read_one(tmp_path / name, RIG)
    with pytest.raises(FileProblems, match="no such file"):
        read_capture(tmp_path / "none.csv", RIG)


@given(
    gaps=st.lists(
        st.tuples(st.sampled_from(["command", SWITCH, READBACK]), st.integers(1, 10**10)),
        max_size=40,
    ),
    # each differs from the one before: a dump keeps changes only
    readings=st.lists(st.integers(-(10**5), 10**5), max_size=12, unique=True),
    source=st.sampled_from(["simulated", "emulated board", "board"]),
)
@settings(max_examples=60)
def test_what_is_written_is_read_back(tmp_path_factory, gaps, readings, source):
    builder = RecordingBuilder(source, RIG.switch_closed_level, 1)
    builder.add_all([Level(SWITCH, 1, 0), Level(READBACK, 0, 0)])
    t_ns, counts, levels, on, stroke = 5, {SWITCH: 0, READBACK: 0}, {SWITCH: 1, READBACK: 0}, 0, 0
    for which, gap in gaps:
        t_ns += gap
        if which == "command":
            on, stroke = 1 - on, stroke + 1 - on
            builder.add(Command(bool(on), t_ns, t_ns, stroke))
        else:
            counts[which] += 1
            levels[which] = 1 - levels[which]
            builder.add(Edge(which, levels[which], t_ns, counts[which], "kernel"))
    for n, value in enumerate(readings):
        builder.add(Sample("pressure", value / 7, n * 10**8, GOOD))
    recording = builder.add(End("finished", "confirmed off", t_ns + 10**10)) or builder.build()
    path = tmp_path_factory.mktemp("vcd") / "run.vcd"
    write_vcd(recording, path)
    again = read_vcd(path, RIG)
    assert again.commands.t_ns.tolist() == recording.commands.t_ns.tolist()
    assert again.commands.stroke.tolist() == recording.commands.stroke.tolist()
    for line in recording.edges:
        assert again.edges[line].t_ns.tolist() == recording.edges[line].t_ns.tolist()
        assert again.edges[line].level.tolist() == recording.edges[line].level.tolist()
    for line in (SWITCH, READBACK):
        assert again.start_level(line) == recording.start_level(line)
    if readings:
        have, want = again.samples["pressure"], recording.samples["pressure"]
        assert have.t_ns.tolist() == want.t_ns.tolist()
        # the dump's writer keeps 16 digits
        np.testing.assert_allclose(have.value, want.value, rtol=1e-15)
    assert again.shown_source == ("capture" if source == "board" else source)
