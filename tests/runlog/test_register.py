# SPDX-License-Identifier: MIT
"""The register of valves and jobs in the log."""

from __future__ import annotations

from pathlib import Path

import pytest
from log_parts import result
from run_headers import header

from rig.core.errors import UsageError
from rig.runlog import register
from rig.runlog.register import JOB, VALVE
from rig.runlog.store import RunLog


@pytest.fixture
def log(tmp_path: Path) -> RunLog:
    opened = RunLog(tmp_path / "runs.sqlite")
    yield opened
    opened.close()


def test_valves_and_jobs_enter_with_their_first_run(log: RunLog) -> None:
    for valve, job in (("B", "J"), ("A", "J"), ("B", "K")):
        run = log.begin_run(header(valve=valve, job=job))
        log.save_result(run, result(mean=40.0 + run), "test")
    found = register.entries(log, VALVE)
    assert [(one.name, one.runs, one.last, one.last_verdict) for one in found] == [
        ("A", 1, 2, "conforms"),
        ("B", 2, 3, "conforms"),
    ]
    assert [(one.name, one.runs, one.kind) for one in register.entries(log, JOB)] == [
        ("J", 2, ""),
        ("K", 1, ""),
    ]
    number = register.number_of(log, VALVE, "B")
    assert number is not None
    past = register.history(log, VALVE, number)
    assert [(run.id, run.job, run.mean_ms) for run in past] == [(1, "J", 41.0), (3, "K", 43.0)]
    assert past[0].low_ms is None  # this result gave no interval


def test_the_latest_result_counts_and_its_interval(log: RunLog) -> None:
    run = log.begin_run(header(valve="A"))
    log.save_result(run, result(verdict="undecided"), "older")
    newer = result(mean=50.0)
    newer["summary"]["response_ms"]["interval95"] = [49.0, 51.5]
    log.save_result(run, newer, "newer")
    (past,) = register.history(log, VALVE, 1)
    assert (past.verdict, past.low_ms, past.mean_ms, past.high_ms) == ("conforms", 49.0, 50.0, 51.5)
    found = register.entry(log, VALVE, 1)
    assert found is not None
    assert (found.runs, found.last_verdict) == (1, "conforms")
    assert register.entry(log, VALVE, 2) is None


def test_names_page_by_page_and_searched(log: RunLog) -> None:
    for n in range(12):
        register.add(log, VALVE, f"V-{n:02}", kind="a kind")
    first = register.entries(log, VALVE, limit=5)
    then = register.entries(log, VALVE, limit=50, after=first[-1].name)
    assert [one.name for one in [*first, *then]] == [f"V-{n:02}" for n in range(12)]
    assert [one.name for one in register.entries(log, VALVE, contains="v-1")] == ["V-10", "V-11"]
    assert register.entries(log, VALVE, contains="%") == []  # a sign like any other


def test_written_by_hand(log: RunLog) -> None:
    number = register.add(log, VALVE, "V-1", kind="spool", notes="n")
    register.describe(log, VALVE, number, kind="other", notes="two\nlines")
    found = register.entry(log, VALVE, number)
    assert found is not None
    assert (found.kind, found.notes, found.runs, found.last) == ("other", "two\nlines", 0, None)
    with pytest.raises(UsageError, match="in the register already"):
        register.add(log, VALVE, "V-1")
    job = register.add(log, JOB, "J-1")
    register.describe(log, JOB, job, kind="", notes="waits")
    assert register.entries(log, JOB)[0].notes == "waits"


@pytest.mark.parametrize(
    ("given", "wanted"),
    [
        (("", "", ""), ["tag: empty"]),
        ((" V", "", ""), ["tag: spaces at an end"]),
        (("V\n1", "", ""), ["cannot be printed"]),
        (("x" * 81, "y" * 81, "z" * 2001), ["tag: 81", "kind: 81", "notes: 2001"]),
        (("x" * 80, "y" * 80, "z" * 2000), []),
    ],
)
def test_all_that_is_wrong_at_once(given: tuple, wanted: list) -> None:
    found = register.problems(VALVE, *given)
    assert len(found) == len(wanted)
    assert all(words in line for words, line in zip(wanted, found, strict=True))
