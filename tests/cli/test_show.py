# SPDX-License-Identifier: MIT
"""`rig show` and how a result is printed: as JSON, as plain lines, as tables on a terminal."""

from __future__ import annotations

import csv
import io
import json
import os
import pty
import re
import subprocess
import sys

import pytest
from logged_runs import call, log_run
from rich.console import Console

from rig.actions.analyse_run import analyse_and_save, analysed
from rig.cli.show import command
from rig.cli.terminal import tables
from rig.core.errors import UsageError
from rig.runlog.store import RunLog


def test_json_is_the_result_and_nothing_else(rig_data):
    run = log_run(rig_data, 3)
    done = call(command, run, "--json")
    shape = json.loads(done.output, parse_constant=pytest.fail)
    assert done.exit_code == 0
    assert shape["run"] == run
    assert shape["source"] == "simulated"
    assert shape["seed"] == 4
    assert shape["setup_hash"] == "a" * 16
    assert shape["valve"] == "V-1 [bold]x[/bold]"
    assert shape["software"] == "solenoid-rig test"
    assert [s["response_ms"] for s in shape["strokes"]] == [50, 50, 50]
    assert (
        shape["summary"]["release_ms"].items()
        >= {"n": 3, "mean": 36, "sd": 0, "min": 36, "median": 36, "max": 36}.items()
    )
    assert shape["verdict"]["result"] == "conforms"
    for name in (
        "run", "source", "seed", "setup_hash", "valve", "job", "by", "conditions", "strokes",
        "summary", "trip", "watched", "not_watched", "verdict", "software",
    ):  # fmt: skip
        assert name in shape
    assert set(shape["verdict"]) >= {"result", "why", "limits"}
    assert set(shape["strokes"][0]) == {
        "number", "answered", "missed", "settled", "response_ms", "release_ms", "first_edge_on_ms",
        "first_edge_off_ms", "bounce_on", "bounce_off", "at_switch_on_kpa", "at_switch_off_kpa",
        "marks", "mark_ids", "pressure", "current",
    }  # fmt: skip


def test_last_is_the_newest(rig_data):
    log_run(rig_data, 3)
    newest = log_run(rig_data, 3)
    assert json.loads(call(command, "last", "--json").output)["run"] == newest


def test_a_stored_result_is_shown_as_stored(rig_data):
    run = log_run(rig_data, 3)
    with RunLog(rig_data / "runs.sqlite") as log:
        shape = analyse_and_save(log, run)
        log.save_result(run, shape | {"note": "as stored"}, "solenoid-rig test")
    assert json.loads(call(command, run, "--json").output)["note"] == "as stored"


@pytest.mark.parametrize(
    ("kinds", "code", "verdict"),
    [
        ({}, 0, "conforms"), ({"slow": (2,)}, 1, "does_not_conform"),
        ({"missed": (2,)}, 5, "undecided"), ({"status": "tripped", "trip": True}, 3, "undecided"),
        ({"status": "aborted"}, 3, "undecided"), ({"status": "fault"}, 7, "undecided"),
    ],
)  # fmt: skip
def test_exit_codes(rig_data, kinds, code, verdict):
    run = log_run(rig_data, 3, **kinds)
    done = call(command, run, "--json")
    assert done.exit_code == code
    assert json.loads(done.output)["verdict"]["result"] == verdict
    plain = call(command, run, "--tsv")
    assert plain.exit_code == code
    assert f"verdict\t{verdict}" in plain.output


def test_a_run_that_still_goes_on(rig_data):
    run = log_run(rig_data, 3, end=False)  # begun by this very process, which lives
    done = call(command, run, "--json")
    assert done.exit_code == 5
    assert json.loads(done.output)["verdict"]["why"].startswith("The run is still going on.")


def test_an_interrupted_run(rig_data):
    run = log_run(rig_data, 3, end=False)
    with RunLog(rig_data / "runs.sqlite") as log:
        log.end_run(run, "interrupted")
    done = call(command, run, "--json")
    assert done.exit_code == 3
    shape = json.loads(done.output)
    assert shape["status"] == "interrupted"
    assert "recording has no end: the run was interrupted" in shape["marks"]


@pytest.mark.parametrize(
    ("text", "words"),
    [("7", "no run 7"), ("first", "is not a run"), ("-1", "No such option"), ("٣", "is not a run")],
)
def test_no_such_run(rig_data, text, words):
    log_run(rig_data, 3)
    try:
        said = call(command, text).output
    except UsageError as error:
        said = str(error)
    assert words in said


def test_no_log_yet(rig_data):
    with pytest.raises(UsageError, match="no run log"):
        call(command, "last")


# -- plain lines


def test_plain_lines_name_every_stroke_and_say_simulated_above_every_table(rig_data):
    run = log_run(rig_data, 40, missed=(7,))
    lines = call(command, run, "--tsv").output.splitlines()
    assert lines[0].startswith("# SIMULATED")
    assert "\x1b" not in "".join(lines)
    fields = dict(line.split("\t", 1) for line in lines[1:] if line.count("\t") == 1)
    assert fields["run"] == str(run)
    assert fields["response_ms.mean"] == "50.0"
    assert fields["missed"] == "1"
    assert fields["timed_from"] == "read-back"
    assert fields["off"] == "confirmed off"
    assert fields["not_watched"] == "over-pressure"
    assert fields["conditions.oil_temperature"] == "92.0 degC typed"
    start = lines.index("")
    assert lines[start + 1].startswith("# SIMULATED")
    rows = list(csv.DictReader(lines[start + 2 :], delimiter="\t"))
    assert len(rows) == 40
    assert (rows[0]["answered"], rows[6]["answered"], rows[6]["response_ms"]) == ("yes", "no", "")
    assert rows[6]["marks"] == "switch never answered"


def test_plain_lines_of_a_board_say_nothing_of_a_simulation(rig_data):
    assert "SIMULATED" not in call(command, log_run(rig_data, 3, source="board"), "--tsv").output
    emulated = call(command, log_run(rig_data, 3, source="emulated board"), "--tsv").output
    assert emulated.startswith("# EMULATED BOARD")


# -- the summary


def test_the_summary_says_verdict_and_what_to_do_first_in_a_pipe_too(rig_data, monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    run = log_run(rig_data, 6, missed=(2,))
    lines = call(command, run).output.splitlines()
    assert "\x1b" not in "".join(lines)
    assert lines[0].startswith(f"SIMULATED · run {run} · valve V-1 [bold]x[/bold]")
    assert max(len(line) for line in lines) <= 60
    text = " ".join(" ".join(lines).split())
    order = [
        "[?] UNDECIDED", "The valve is not judged", "First: oil level", "response: mean 50",
        "marks: see --full", "NOT WATCHED: 1 rule", f"rig show {run} --full",
    ]  # fmt: skip
    places = [text.index(part) for part in order]
    assert places == sorted(places)


def test_a_sound_run_is_told_in_ten_lines(rig_data, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    lines = call(command, log_run(rig_data, 20)).output.splitlines()
    assert 5 <= len(lines) <= 10
    assert lines[1].startswith("[+] CONFORMS")
    assert "First:" not in "".join(lines)


def test_a_trip_says_first_what_to_do(rig_data):
    text = call(command, log_run(rig_data, 3, status="tripped", trip=True)).output
    assert text.index("TRIPPED: over-pressure") < text.index("First: bring the engine to idle")
    assert "rig clear" in text


def test_two_forms_at_once_are_refused(rig_data):
    with pytest.raises(UsageError, match="--json and --tsv exclude each other"):
        call(command, log_run(rig_data, 3), "--json", "--tsv")


def test_a_mark_of_every_stroke_is_said_once(rig_data):
    text = shown(rig_data, 4, missed=(1, 2, 3, 4))
    assert text.count("switch never answered") == 1
    assert "every stroke  switch never answered" in text


# -- tables


def shown(rig_data, strokes, *, width=100, encoding="utf-8", **kinds):
    run = log_run(rig_data, strokes, **kinds)
    with RunLog(rig_data / "runs.sqlite") as log:
        shape = analysed(log.load(run))
    file = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    console = Console(
        file=file, width=width, force_terminal=False, markup=False, highlight=False, emoji=False
    )
    tables.Show(shape, console).all()
    file.flush()
    return file.buffer.getvalue().decode(encoding)


def test_simulated_stands_across_every_table_and_plot(rig_data):
    text = shown(rig_data, 5, missed=(2,))
    for title in (
        "run 1", "times in ms", "response of each stroke", "release of each stroke", "strokes",
        "marks", "limits", "[?] UNDECIDED",
    ):  # fmt: skip
        assert f"SIMULATED · {title}" in text
    assert "No valve was measured." in text
    board = shown(rig_data, 5, source="board")
    assert "SIMULATED" not in board
    assert "No valve was measured." not in board


def test_tables_tell_everything_in_words(rig_data):
    text = shown(rig_data, 5, missed=(2,), source="board")
    assert "V-1 [bold]x[/bold]" in text  # a tag is text, never markup
    assert "oil temperature 92 degC (typed)" in text
    assert "NOT WATCHED" in text
    assert "first read-back edge of the coil going live or dead" in text
    assert "switch never answered" in text
    assert "total missed strokes at most 0" in text
    assert "? undecided" in text
    assert "The valve is not judged" in text
    assert "Next check: " in text
    assert "5, of which 4 answered, 1 missed, 0 doubtful" in text


@pytest.mark.parametrize("width", [60, 80])
def test_narrow_terminal_keeps_its_columns_and_breaks_no_number(rig_data, width):
    text = shown(rig_data, 5, missed=(2,), width=width)
    assert all(len(line) <= width for line in text.splitlines())
    rows = [line.split() for line in text.splitlines()]
    assert ["1", "50.00", "36.00"] in [row[:3] for row in rows]
    assert "…" not in text


def test_a_long_run_is_shortened_and_says_how_to_see_all(rig_data):
    text = shown(rig_data, 200, missed=(77,), slow=(150,))
    assert "... " in text
    assert "see all with `rig show 1 --json`" in text
    assert "178 strokes are not shown" in text
    rows = [line.split() for line in text.splitlines()]
    numbers = [int(row[0]) for row in rows if len(row) > 8 and row[8] in ("300.0", "-")]
    assert numbers == [*range(1, 11), 77, 150, *range(191, 201)]  # unusual ones are kept
    assert "largest of about 3" in text


def test_without_utf_8_the_plot_is_drawn_in_ascii(rig_data):
    text = shown(rig_data, 5, encoding="latin-1", slow=(3,))
    assert "@" in text


def test_no_strokes(rig_data):
    text = shown(rig_data, 0, status="tripped", trip=True)
    assert "No stroke was recorded." in text
    assert "over-pressure at" in text
    assert "[-] NOT TESTED" in text


def test_on_a_terminal_of_80_columns(rig_data):
    run = log_run(rig_data, 5, missed=(2,))
    desk, terminal = pty.openpty()
    environment = {**os.environ, "COLUMNS": "80", "TERM": "xterm", "PYTHONUTF8": "1"}
    code = "from rig.cli.show import command; command()"
    done = subprocess.Popen(
        [sys.executable, "-c", code, str(run), "--full"], stdout=terminal, env=environment
    )
    os.close(terminal)
    seen = b""
    while True:
        try:
            seen += os.read(desk, 65_536)
        except OSError:  # how a terminal says that nobody holds its other side
            break
    os.close(desk)
    assert done.wait() == 5
    text = re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", seen.decode())
    assert "SIMULATED · run 1" in text
    assert "█" in text
    assert max(len(line) for line in text.splitlines()) <= 80
