# SPDX-License-Identifier: MIT
"""Reading captures made elsewhere: what is taken, and every refusal with its words."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from setups import board

from rig.captures import cells, problems
from rig.captures.csv_in import read_csv
from rig.config.setup.model import Setup
from rig.core.errors import FileProblems
from rig.core.records import Condition


def rig(**keys: object) -> Setup:
    return board(**keys)


def read(tmp_path: Path, text: str | bytes, setup: Setup | None = None):
    path = tmp_path / "capture.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_csv(path, setup or rig())


def refusals(tmp_path: Path, text: str | bytes) -> list[str]:
    with pytest.raises(FileProblems) as caught:
        read(tmp_path, text)
    assert caught.value.exit_code == 2
    for problem in caught.value.problems:
        assert problem.file.endswith("capture.csv")
        assert problem.remedy
    return [f"{p.key}|{p.value}|{p.what}|{p.remedy}" for p in caught.value.problems]


def test_one_row_per_change(tmp_path):
    recording = read(
        tmp_path,
        "time_s,command,switch\n0,0,0\n1.0,1,\n1.0523,,1\n1.053,,0\n1.0541,,1\n1.5,0,\n1.54,,0\n2,,\n",
    )
    assert recording.source == "capture"
    assert recording.commands.t_ns.tolist() == [1_000_000_000, 1_500_000_000]
    assert recording.commands.stroke.tolist() == [1, 1]
    edges = recording.edges["switch"]
    assert edges.t_ns.tolist() == [1_052_300_000, 1_053_000_000, 1_054_100_000, 1_540_000_000]
    assert edges.level.tolist() == [0, 1, 0, 1]  # pull up: closed reads low
    assert edges.sequence.tolist() == [1, 2, 3, 4]
    assert recording.levels["switch"].level.tolist() == [1]
    assert "readback" not in recording.levels
    assert recording.samples == {}
    assert [(s.name, s.t_ns) for s in recording.steps] == [
        ("first row", 0),
        ("last row", 2_000_000_000),
    ]


def test_one_row_per_sample_with_the_state_repeated_in_each(tmp_path):
    lines = ["time_ms,command,coil,switch,pressure_psi"]
    for ms in range(300):
        on, live, closed = 100 <= ms < 200, 108 <= ms < 204, 150 <= ms < 240
        lines.append(f"{ms},{on:d},{live:d},{closed:d},{ms / 10}")
    recording = read(tmp_path, "\r\n".join(lines), rig(readback={"line": 23}))
    assert recording.commands.t_ns.tolist() == [100_000_000, 200_000_000]
    assert recording.edges["readback"].t_ns.tolist() == [108_000_000, 204_000_000]
    assert recording.edges["switch"].t_ns.tolist() == [150_000_000, 240_000_000]
    pressure = recording.samples["pressure"]
    assert len(pressure.t_ns) == 300
    # NIST SP 811, Appendix B.8: 1 psi = 6.894757 kPa
    np.testing.assert_allclose(pressure.value, np.arange(300) / 10 * 6.894757, rtol=1e-7)


@pytest.mark.parametrize(
    ("column", "kpa"), [("pressure_kpa", 5.0), ("pressure_bar", 500.0), ("pressure_psi", 34.473786)]
)
def test_pressure_units(tmp_path, column, kpa):
    recording = read(tmp_path, f"time_s,command,switch,{column}\n0,0,0,5\n")
    assert recording.samples["pressure"].value[0] == pytest.approx(kpa, rel=1e-7)


def test_levels_follow_the_setup(tmp_path):
    text = "time_s,command,coil,switch\n0,0,0,0\n1,1,1,1\n"
    down = rig(switch={"pull": "down"})
    assert read(tmp_path, text, down).edges["switch"].level.tolist() == [1]
    ground = rig(readback={"line": 23}, coil={"feed_side": "ground"})
    recording = read(tmp_path, text, ground)
    assert recording.edges["readback"].level.tolist() == [0]
    assert recording.readback_live_level == 0


def test_comments_blank_rows_spaces_byte_order_mark_and_case(tmp_path):
    text = (
        "\ufeff# made by hand\n\n Time_S , Command,switch\n# and here\n0 , 0, 0\n\n1.0,1.0,\n,,\n"
    )
    recording = read(tmp_path, text)
    assert recording.commands.t_ns.tolist() == [1_000_000_000]


def test_times_before_zero(tmp_path):
    recording = read(tmp_path, "time_ms,command,switch\n-10.5,0,0\n0,1,\n")
    assert recording.t0_ns == -10_500_000


def test_command_already_on_in_the_first_row_is_marked(tmp_path):
    recording = read(tmp_path, "time_s,command,switch\n0,1,0\n0.05,,1\n")
    assert recording.conditions == [
        Condition("command already on in the first row", 0, "its instant is not known")
    ]
    assert read(tmp_path, "time_s,command,switch\n0,,0\n0.05,1,1\n").conditions == []


def test_bad_readings_are_kept_as_bad(tmp_path):
    recording = read(
        tmp_path,
        "time_s,command,switch,pressure_kpa,pressure_good\n0,0,0,5,\n1,,,,0\n2,,,7,0\n3,,,8,1\n",
    )
    pressure = recording.samples["pressure"]
    assert pressure.good.tolist() == [True, False, False, True]
    assert np.isnan(pressure.value).tolist() == [False, True, False, False]


@given(ns=st.integers(-(10**18), 10**18), digits=st.sampled_from([9, 6]))
def test_times_are_exact(ns, digits):
    sign, whole = ("-", -ns) if ns < 0 else ("", ns)
    text = f"{sign}{whole // 10**digits}.{whole % 10**digits:0{digits}d}"
    assert cells.time_ns(text, digits) == ns


@pytest.mark.parametrize(
    ("text", "digits", "ns"),
    [
        ("1e-3", 9, 1_000_000), ("2.5E2", 6, 250_000_000), ("0.0000000004", 9, 0),
        ("1.2345678916", 9, 1_234_567_892), (".5", 9, 500_000_000), ("5.", 6, 5_000_000),
        ("+1", 9, 1_000_000_000), ("9007199.254740993", 9, 9_007_199_254_740_993),
    ],
)  # fmt: skip
def test_other_ways_to_write_a_time(text, digits, ns):
    assert cells.time_ns(text, digits) == ns


def test_semicolons_and_decimal_commas_are_read_as_commas_and_points(tmp_path):
    commas = "time_s,command,switch,pressure_kpa\n0,0,0,1.5\n0.25,1,0,\n1,0,1,-2.5e1\n"
    semicolons = "# a note, with a comma\n" + commas.replace(",", ";").replace(".", ",")
    a, b = read(tmp_path, commas), read(tmp_path, semicolons)
    assert a.samples["pressure"].value.tolist() == [1.5, -25.0]
    assert a.commands.t_ns.tolist() == b.commands.t_ns.tolist() == [250_000_000, 10**9]
    for name in ("t_ns", "value"):
        of_a, of_b = (getattr(one.samples["pressure"], name).tolist() for one in (a, b))
        assert of_a == of_b


HEAD = "time_s,command,switch,pressure_kpa\n"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "the file is empty"),
        ("# only a comment\n\n", "the file is empty"),
        (HEAD, "there is no row below the header"),
        ("time_s,time_ms,command,switch\n0,0,0,0\n", "both time_s and time_ms"),
        ("command,switch\n0,0\n", "no column with the time"),
        ("time_s,switch\n0,0\n", "no column command"),
        ("time_s,command\n0,0\n", "no column switch"),
        ("time_s,comand,switch\n0,0,0\n", "unknown column|write command"),
        ("time_s,command,switch,pressure\n0,0,0,1\n", "write pressure_kpa, pressure_psi or"),
        ("time_s,command,switch,switch\n0,0,0,0\n", "this column stands twice"),
        ("time_s,command,switch,pressure_kpa,pressure_psi\n0,0,0,1,1\n", "give the pressure once"),
        ("time_s;comand;switch\n0;0;0\n", "unknown column|write command"),
        ("time_s;command;switch\n0,000.1;0;0\n", "row 2, column time_s"),
        (HEAD + "0,0,0,1\n1,0,0\n", "row 3||3 cells where there are 4 columns"),
        (HEAD + "0,0,0,1\n1,0,0,1,7\n", "row 3||5 cells where there are 4 columns"),
        (HEAD + "0,0,0,1\n,1,0,1\n", "row 3, column time_s||no time"),
        (HEAD + "0,0,0,1\n1x,1,0,1\n", "row 3, column time_s|1x|not a number"),
        (HEAD + "0,0,0,1\nnan,1,0,1\n", "row 3, column time_s|nan|not a finite number"),
        (HEAD + "0,0,0,1\n-inf,1,0,1\n", "row 3, column time_s|-inf|not a finite number"),
        (HEAD + "0,0,0,1\n1e99,1,0,1\n", "too large a time"),
        (HEAD + "0,0,0,1\n99999999999,1,0,1\n", "too large a time"),
        (HEAD + "2,0,0,1\n1,1,0,1\n", "row 3, column time_s|1|earlier than the row before it"),
        (HEAD + "0,2,0,1\n", "row 2, column command|2|neither 0 nor 1"),
        (HEAD + "0,0,high,1\n", "row 2, column switch|high|neither 0 nor 1"),
        (HEAD + "0,0,nan,1\n", "row 2, column switch|nan|neither 0 nor 1"),
        (HEAD + "0,0,0,NaN\n", "row 2, column pressure_kpa|NaN|not a finite number"),
        (HEAD + "0,0,0,Infinity\n", "row 2, column pressure_kpa|Infinity|not a finite number"),
        (HEAD + "0,0,0,1e400\n", "row 2, column pressure_kpa|1e400|too large"),
        (HEAD + "0,0,0,1e300\n0.1,0,0,1e999\n", "row 3, column pressure_kpa|1e999|too large"),
        (HEAD + "0,0,0,1_000\n", "row 2, column pressure_kpa|1_000|not a number"),
        (HEAD + "0,0,0,12 psi\n", "without a unit"),
        (HEAD + '0,0,0,"1,5"\n', "write the decimal sign as a point"),
        (HEAD + "0,0,0,１\n", "not a number"),  # a digit, but not an ASCII one
        (HEAD.encode() + b"0,0,0,\xff\xfe\n", "not UTF-8 text"),
        (HEAD.encode("utf-16-le"), "not a text file"),
        (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "not a text file"),
        ("time_s,command,switch\n0,0," + "1" * 200_000 + "\n", "not a CSV file"),
    ],
)
def test_refusals(tmp_path, text, words):
    found = refusals(tmp_path, text)
    assert any(words in line for line in found), found


def test_every_problem_at_once_capped_with_a_count(tmp_path):
    rows = "".join(f"{n},x,y,z\n" for n in range(100))
    found = refusals(tmp_path, HEAD + rows)
    assert len(found) == problems.MAX_SHOWN + 1
    assert "row 2, column command|x|" in found[0]
    assert "row 2, column switch|y|" in found[1]
    assert "row 2, column pressure_kpa|z|" in found[2]
    assert f"{300 - problems.MAX_SHOWN} more problems" in found[-1]


def test_header_problems_at_once(tmp_path):
    found = refusals(tmp_path, "tim_s,pressure_psi,pressure_kpa,x\n0,0,0,0\n")
    assert len(found) == 5  # x is like no name of ours: it would be left out


def test_long_and_hostile_cells_are_shortened_and_made_harmless(tmp_path):
    found = refusals(tmp_path, HEAD + "0,0,0,\x1b[2J" + "9x" * 500 + "\n")
    assert "\x1b" not in found[0]
    assert len(found[0]) < 300


def test_too_large_a_file_is_refused_unread(tmp_path, monkeypatch):
    monkeypatch.setattr(problems, "MAX_BYTES", 10)
    assert "larger than" in refusals(tmp_path, HEAD + "0,0,0,1\n")[0]


def test_no_such_file_and_a_directory(tmp_path):
    for path, words in ((tmp_path / "none.csv", "no such file"), (tmp_path, "a directory")):
        with pytest.raises(FileProblems, match=words):
            read_csv(path, rig())
