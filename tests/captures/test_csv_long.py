# SPDX-License-Identifier: MIT
"""CSV with a row for every value, and several runs in one file."""

from __future__ import annotations

import numpy as np
import pytest
from capture_rigs import RIG, read_text, refused

from rig.captures import csv_in, read_csv
from rig.core.errors import FileProblems
from rig.core.records import Condition

LONG = "time_s,signal,value\n"
START = LONG + "0,command,0\n0,switch,0\n"
WIDE_RUNS = "run,time_s,command,switch\n"


def test_a_row_for_every_value(tmp_path):
    ((name, recording),) = read_text(
        tmp_path,
        " Time_S , Signal,VALUE\n0,Command,0\n0,switch,0\n0,coil,0\n"
        "1,command,1\n1.0523,switch,1\n1.5,command,0\n2,,\n",
    )
    assert name is None
    assert recording.commands.t_ns.tolist() == [1_000_000_000, 1_500_000_000]
    assert recording.edges["switch"].t_ns.tolist() == [1_052_300_000]
    assert recording.start_level("readback") == 0
    assert recording.steps[-1].t_ns == 2_000_000_000


@pytest.mark.parametrize("order", [("pressure_psi,5", "pressure_good,0"), None])
def test_pressure_good_speaks_of_the_pressure_of_its_time(tmp_path, order):
    first, second = order or ("pressure_good,0", "pressure_psi,5")
    text = START + f"1,{first}\n1,{second}\n2,pressure_psi,6\n3,pressure_good,0\n4,switch,1\n"
    pressure = read_text(tmp_path, text)[0].recording.samples["pressure"]
    assert pressure.t_ns.tolist() == [1e9, 2e9, 3e9]
    assert pressure.good.tolist() == [False, True, False]
    assert pressure.value[:2] == pytest.approx([34.473786, 41.368544])  # NIST SP 811: psi to kPa
    assert np.isnan(pressure.value[2])


def test_two_readings_of_one_time_are_two(tmp_path):
    text = START + "1,pressure_kpa,5\n1,pressure_kpa,6\n1,oil_temperature_degc,90\n"
    samples = read_text(tmp_path, text)[0].recording.samples
    assert samples["pressure"].value.tolist() == [5, 6]
    assert samples["oil_temperature"].value.tolist() == [90]


def test_command_on_in_the_first_row_is_marked_unless_it_was_off_at_that_instant(tmp_path):
    mark = Condition("command already on in the first row", 0, "its instant is not known")
    text = LONG + "0,switch,0\n0,command,1\n0.05,switch,1\n"
    assert read_text(tmp_path, text)[0].recording.conditions == [mark]
    text = START + "0,command,1\n0.05,switch,1\n"
    assert read_text(tmp_path, text)[0].recording.conditions == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (LONG, "there is no row below the header"),
        ("time_s,signal\n0,command\n", "a column signal and no column value"),
        ("time_s,value\n0,1\n", "a column value and no column signal"),
        ("time_s,signal,value,switch\n0,command,0,0\n", "both the columns signal and value and"),
        ("signal,value\ncommand,0\n", "no column with the time"),
        (LONG + "0,switch,0\n", "||no signal command|add rows of the signal command"),
        (LONG + "0,command,0\n", "||no signal switch"),
        (START + "1,swich,1\n", "row 4, column signal|swich|unknown signal|write switch"),
        (START + "1,pressure,1\n", "row 4, column signal|pressure|unknown signal|write pressure_"),
        (START + "1,zzzz,1\n", "the signals are command, coil, switch"),
        (START + "1,signal,1\n", "row 4, column signal|signal|unknown signal"),
        (START + "1,,1\n", "row 4, column signal||a value and no signal"),
        (START + "1,switch,2\n", "row 4, column value|2|neither 0 nor 1"),
        (START + "1,switch,x\n", "row 4, column value|x|neither 0 nor 1"),
        (START + "1,pressure_kpa,nan\n", "row 4, column value|nan|not a finite number"),
        (START + "1,pressure_kpa,5 psi\n", "row 4, column value|5 psi|not a number"),
        (START + "1,pressure_kpa,5\n2,pressure_psi,5\n", "pressure_kpa and pressure_psi together"),
        (START + "2,switch,1\n1,switch,0\n", "row 5, column time_s|1|earlier than|column run"),
        ("run," + LONG + "a,0,command,0\na,0,switch,0\nb,0,command,0\n", "no signal switch in run"),
        (WIDE_RUNS + "a,0,0,0\n,1,1,0\n", "row 3, column run||no run|name the run in every row"),
        (WIDE_RUNS + "a,2,0,0\nb,0,0,0\na,1,1,0\n", "row 4, column time_s|1|earlier|of this run"),
        ("run,run,time_s,command,switch\na,b,0,0,0\n", "this column stands twice"),
    ],
)
def test_refusals(tmp_path, text, words):
    found = refused(tmp_path, text)
    assert any(all(part in line for part in words.split("|") if part) for line in found), found


def test_every_problem_at_once(tmp_path):
    found = refused(tmp_path, LONG + "0,command,x\n1,swich,1\n2,swich,0\nq,command,1\n0,,4\n")
    keys = [line.split("|")[0] for line in found]
    assert keys == [
        "row 2, column value", "row 3, column signal", "row 5, column time_s",
        "row 6, column time_s", "row 6, column signal", "",
    ]  # fmt: skip


def test_runs_of_the_wide_form_in_any_order(tmp_path):
    text = WIDE_RUNS + "7,0,0,0\nold part,5,0,0\n7,1,1,\nold part,6,1,\n7,1.04,,1\n7,2,,\n"
    runs = read_text(tmp_path, text)
    assert [name for name, _ in runs] == ["7", "old part"]
    assert [run.commands.t_ns.tolist() for _, run in runs] == [[1_000_000_000], [6_000_000_000]]
    assert [run.commands.stroke.tolist() for _, run in runs] == [[1], [1]]
    assert [run.steps[-1].t_ns for _, run in runs] == [2_000_000_000, 6_000_000_000]


def test_a_word_above_the_runs_holds_for_each(tmp_path):
    runs = read_text(tmp_path, "# SIMULATED: x\n" + WIDE_RUNS + "a,0,0,0\nb,0,0,0\n")
    assert [run.shown_source for _, run in runs] == ["simulated", "simulated"]


def test_too_many_runs(tmp_path, monkeypatch):
    monkeypatch.setattr(csv_in, "MAX_RUNS", 2)
    found = refused(tmp_path, WIDE_RUNS + "a,0,0,0\nb,0,0,0\nc,0,0,0\n")
    assert "more than 2 runs" in found[0]


def test_one_run_is_wanted(tmp_path):
    path = tmp_path / "runs.csv"
    path.write_text(WIDE_RUNS + "a,0,0,0\nb,0,0,0\n")
    with pytest.raises(FileProblems, match="2 runs where one is wanted"):
        read_csv(path, RIG)
