# SPDX-License-Identifier: MIT
"""Garbage in: a capture is read or refused with FileProblems, and nothing else ever happens."""

from __future__ import annotations

import math

from capture_rigs import RIG
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rig.captures import read_capture
from rig.core.errors import FileProblems

VCD = (
    b"$timescale 10 us $end\n$scope module top $end\n$var wire 1 ! command $end\n"
    b'$var wire 1 " switch $end\n$var real 64 # pressure_kpa $end\n'
    b"$var wire 1 % pressure_good $end\n$upscope $end\n$enddefinitions $end\n"
    b'#0\n$dumpvars\n0!\n0"\nr62 #\nx%\n$end\n#100\n1!\n1%\n#150\nb1 "\nr305.5 #\n#300\n0!\n'
)
WIDE = (
    b"# source: board\nrun,time_ms,command,coil,switch,pressure_psi,pressure_good\n"
    b"a,0,0,0,0,12.5,1\na,1000,1,,,,\na,1008.2,,1,,,\na,1052.35,,,1,44,0\nb,0,0,0,0,,\n"
)
LONG = (
    b"time_s,signal,value\n0,command,0\n0,switch,0\n1,command,1\n1.05,switch,1\n"
    b"1.1,pressure_bar,2.5\n1.1,pressure_good,0\n2,,\n"
)
PIECES = [
    b"$end", b"$var", b"$scope", b"$dumpvars", b"$timescale", b"#", b"\n", b",", b'"', b"x", b"nan",
    b"inf", b"1e400", b"1_0", b"-", b"\xff", b"\x00", b"b", b"r", b"s", b"99999999999999999999",
    b"run", b"signal", b"value", b"time_s", b"command", b"switch", b"\r", b"\xe2\x80\x8b", b"$",
]  # fmt: skip

edits = st.lists(
    st.tuples(
        st.integers(0, 400), st.integers(0, 40), st.sampled_from(PIECES) | st.binary(max_size=4)
    ),
    max_size=6,
)


def taken(folder, name: str, data: bytes) -> bool:
    """Whether the file was taken; then every run holds finite, ordered data."""
    path = folder / name
    path.write_bytes(data)
    try:
        runs = read_capture(path, RIG)
    except FileProblems as error:
        assert error.problems and str(error)
        return False
    assert runs
    for _, recording in runs:
        assert all((series.t_ns[1:] >= series.t_ns[:-1]).all() for series in every(recording))
        for samples in recording.samples.values():
            assert all(math.isfinite(value) for value in samples.value[samples.good])
    return True


def every(recording):
    return [
        recording.commands, *recording.edges.values(), *recording.samples.values(),
        *recording.levels.values(),
    ]  # fmt: skip


def test_the_seeds_themselves_are_taken(tmp_path):
    for name, seed in (("a.vcd", VCD), ("a.csv", WIDE), ("b.csv", LONG)):
        assert taken(tmp_path, name, seed), seed


@given(data=st.binary(max_size=400), name=st.sampled_from(["a.csv", "a.vcd", "a"]))
@example(data=b"$" * 300, name="a")
@example(data=b"#" + b"9" * 5000, name="a.vcd")
@example(data=b"\xef\xbb\xbf", name="a.csv")
@settings(max_examples=150)
def test_any_bytes(tmp_path_factory, data, name):
    taken(tmp_path_factory.mktemp("any"), name, data)


@given(
    seed=st.sampled_from([("a.vcd", VCD), ("a.csv", WIDE), ("b.csv", LONG)]),
    edits=edits,
    cut=st.integers(0, 500),
)
@settings(max_examples=300)
def test_spoilt_captures(tmp_path_factory, seed, edits, cut):
    name, data = seed
    data = data[:cut] if cut < len(data) else data
    for place, length, piece in edits:
        data = data[:place] + piece + data[place + length :]
    taken(tmp_path_factory.mktemp("spoilt"), name, data)
