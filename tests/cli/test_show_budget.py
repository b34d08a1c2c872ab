# SPDX-License-Identifier: MIT
"""`rig show RUN --budget`: every line of every budget, and a Monte Carlo check beside it."""

from __future__ import annotations

import re
import subprocess
import sys

import pytest
from logged_runs import call, log_run

from rig.actions.analyse_run import analyse_and_save
from rig.cli.show import command
from rig.runlog.store import RunLog
from rig.text.budget import budget_lines


def test_every_line_and_the_check(rig_data):
    run = log_run(rig_data, 3)
    text = call(command, run, "--budget").output
    assert text.startswith("SIMULATED: ")
    assert re.search(r"response_ms: mean response ms, 50\.0+ ms", text)
    for words in (
        "repeatability", "time stamp of the switch's edge", "read-back delay", "rectangular",
        "infinite", "with 95 % coverage (JCGM 10",
    ):  # fmt: skip
        assert words in text
    stated = [float(x) for x in re.findall(r", U = ([0-9.]+) ms", text)]
    drawn = [float(x) for x in re.findall(r"draws: U = ([0-9.]+) ms", text)]
    assert len(stated) == len(drawn) >= 4
    assert drawn == pytest.approx(stated, rel=0.02, abs=0.0101)


def test_a_result_of_an_earlier_program_is_worked_out_again(rig_data):
    run = log_run(rig_data, 3)
    with RunLog(rig_data / "runs.sqlite") as log:
        shape = analyse_and_save(log, run)
        del shape["budget"]
        log.save_result(run, shape, "earlier")
    assert "repeatability" in call(command, run, "--budget").output


def test_a_run_without_results_says_so():
    shape = {"source": "board", "budget": {}}
    assert list(budget_lines(shape)) == [
        "This run has no result that an uncertainty budget could be made for."
    ]


@pytest.mark.parametrize(
    ("words", "exits"),
    [
        (["show", "last"], 0),
        (["show", "last", "--json"], 0),
        (["show", "last", "--full"], 0),
        (["diagnose", "last"], 5),
    ],
)
def test_a_stored_result_is_shown_and_diagnosed_without_scipy(rig_data, words, exits):
    """Its import takes longer than all findings of a run."""
    run = log_run(rig_data, 3)
    with RunLog(rig_data / "runs.sqlite") as log:
        analyse_and_save(log, run)
    code = (
        "import sys\n"
        "from rig.cli.main import cli\n"
        "try:\n"
        f"    cli.main({words!r}, standalone_mode=False)\n"
        "except SystemExit as left:\n"
        f"    assert left.code == {exits}, left.code\n"
        "loaded = [name for name in sys.modules if name.startswith('scipy')]\n"
        "assert not loaded, loaded[:3]\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert {"show": "response", "diagnose": "Most likely"}[words[0]] in done.stdout
