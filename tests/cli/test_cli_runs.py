# SPDX-License-Identifier: MIT
import json
import os
import pty
import sqlite3
import subprocess
import sys

import pytest
from click.testing import CliRunner

from rig.cli.runs import COLUMNS, command
from rig.core.clock import WallTime
from rig.core.errors import UsageError
from rig.runlog.header import RunHeader
from rig.runlog.store import RunLog


def header(**changes):
    given = {
        "source": "simulated",
        "setup_text": "",
        "setup_hash": "a",
        "setup_name": "a.setup.toml",
        "sheet_text": 'kind = "strokes"\n',
        "sheet_hash": "b",
        "sheet_name": "b.sheet.toml",
        "software": "test",
        "wall": WallTime(1_700_000_000.0, 0, "boot", True),
    }
    return RunHeader(**{**given, **changes})


@pytest.fixture
def three_runs(rig_data):
    with RunLog(rig_data / "runs.sqlite") as log:
        log.begin_run(header(valve="V-1", job="J-1", by="demo\tperson"))
        log.begin_run(header(source="board", valve="V-2 [red]"))
        last = log.begin_run(header(valve="V-1", wall=WallTime(0.0, 0, "boot", None)))
        log.save_result(
            last,
            {
                "strokes": [{}, {}],
                "summary": {"response_ms": {"mean": 41.26}},
                "verdict": {"result": "conforms"},
            },
            "test",
        )


def run(*arguments):
    done = CliRunner().invoke(command, arguments)
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, done.output


def table(*arguments):
    code, output = run(*arguments, "--tsv")
    assert code == 0
    first, *rows = [line.split("\t") for line in output.splitlines()]
    assert tuple(first) == COLUMNS
    return [dict(zip(COLUMNS, row, strict=True)) for row in rows]


def on_a_terminal(*arguments):
    """What a person sees."""
    desk, terminal = pty.openpty()
    environment = {**os.environ, "COLUMNS": "200", "TERM": "xterm"}
    code = "from rig.cli.runs import command; command()"
    done = subprocess.Popen(
        [sys.executable, "-c", code, *arguments], stdout=terminal, env=environment
    )
    os.close(terminal)
    seen = b""
    while True:
        try:
            part = os.read(desk, 65_536)
        except OSError:  # how a terminal says that nobody holds its other side
            break
        seen += part
    os.close(desk)
    assert done.wait() == 0
    return seen.decode()


def test_without_a_log_the_list_is_empty(rig_data):
    assert table() == []
    assert json.loads(run("--json")[1]) == {"runs": [], "next_before": None}
    assert f"No runs in {rig_data / 'runs.sqlite'}." in on_a_terminal()
    assert not (rig_data / "runs.sqlite").exists()


def test_newest_first_one_line_each(three_runs):
    rows = table()
    assert [row["run"] for row in rows] == ["3", "2", "1"]
    assert rows[2] == {
        "run": "1", "started": "2023-11-14 22:13:20Z", "source": "SIMULATED", "status": "running",
        "valve": "V-1", "job": "J-1", "by": "demo person", "kind": "strokes", "strokes": "",
        "response_mean_ms": "", "verdict": "", "response_n": "", "response_max_ms": "",
        "release_mean_ms": "", "release_n": "", "missed": "", "oil_temperature_degc": "",
        "purpose": "valve",
    }  # fmt: skip
    assert (rows[1]["source"], rows[1]["valve"]) == ("board", "V-2 [red]")
    assert (rows[0]["strokes"], rows[0]["response_mean_ms"]) == ("2", "41.3")
    assert rows[0]["started"] == "1970-01-01 00:00:00Z?"  # from a clock that nothing had set


def test_pages_and_one_valve(three_runs):
    assert [row["run"] for row in table("--limit", "2")] == ["3", "2"]
    assert [row["run"] for row in table("--before", "2")] == ["1"]
    assert [row["run"] for row in table("--valve", "V-1")] == ["3", "1"]
    assert json.loads(run("--json", "--limit", "2")[1])["next_before"] == 2
    assert json.loads(run("--json", "--limit", "3")[1])["next_before"] is None


def test_json_has_numbers_and_nulls(three_runs):
    rows = json.loads(run("--json")[1])["runs"]
    assert rows[0] == {
        "run": 3, "started": "1970-01-01T00:00:00+00:00", "clock_synchronised": None,
        "source": "simulated", "status": "running", "valve": "V-1", "job": None, "by": None,
        "mount": None, "kind": "strokes", "strokes": 2, "response_mean_ms": 41.26,
        "verdict": "conforms", "response_n": None, "response_max_ms": None,
        "release_mean_ms": None, "release_n": None, "missed": None,
        "oil_temperature_degc": None, "purpose": "valve",
    }  # fmt: skip


def test_on_a_terminal_a_table_that_says_simulated(three_runs):
    seen = on_a_terminal("--limit", "2")
    rows = [line for line in seen.splitlines() if line.strip().startswith(("3 ", "2 "))]
    assert "SIMULATED" in rows[0]
    assert "conforms" in rows[0]
    assert "V-2 [red]" in rows[1]  # a tag is never taken for markup
    assert "not known to be synchronised" in seen
    assert "Older runs: rig runs --before 2" in seen


@pytest.mark.parametrize("arguments", [["--limit", "0"], ["--before", "x"], ["extra"]])
def test_a_wrong_command_is_refused(arguments):
    assert run(*arguments)[0] == 2


def test_a_run_whose_processes_are_gone_is_not_running(three_runs, rig_data):
    """Its writer is a process that has ended and was waited for."""
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    with sqlite3.connect(rig_data / "runs.sqlite") as log:
        log.execute("UPDATE runs SET writer_pid = ? WHERE id = 2", (gone.pid,))
    log.close()
    assert [row["status"] for row in table()] == ["running", "interrupted", "running"]
    assert "Run 2 ended without a word: `rig recover`" in run()[1].replace("\n", " ")


def test_the_list_in_a_pipe_fits_60_columns_and_cuts_nothing(three_runs, monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    text = run()[1]
    assert max(len(line) for line in text.splitlines()) <= 60
    assert "…" not in text
    rows = {line.split()[0]: line for line in text.splitlines() if line.strip()}
    assert "2023-11-14 22:13  SIMULATED V-1" in rows["1"]
    assert "41.3" in rows["3"]


@pytest.mark.usefixtures("three_runs")
def test_a_valve_is_found_without_its_capitals_and_near_tags_are_offered(rig_data):
    assert [row["run"] for row in table("--valve", "v-1")] == ["3", "1"]
    _, told = run("--valve", "V-")
    assert (
        told
        == f"No runs of valve V- in {rig_data / 'runs.sqlite'}. Tags near it: V-2 [red], V-1.\n"
    )
    assert "near" not in run("--valve", "zz")[1]


@pytest.mark.usefixtures("three_runs")
@pytest.mark.parametrize("form", [(), ("--json",), ("--csv", "-")])
def test_a_word_that_no_run_can_have_is_refused(form):
    done = CliRunner().invoke(command, ["--verdict", "bad", "--source", "nonsense", *form])
    assert isinstance(done.exception, UsageError)
    told = str(done.exception)
    assert "conforms, does_not_conform" in told and "emulated board" in told
