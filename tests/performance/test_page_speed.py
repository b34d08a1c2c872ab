# SPDX-License-Identifier: MIT
"""The run list in a long log against a short one, a page of 40 runs each time.

Processor time: the files lie in the kernel's cache, and nobody else's work is counted.
"""

from __future__ import annotations

import shutil
import sqlite3
import time
from pathlib import Path

import pytest
import written_runs
from blocks import hold_at_most, timed
from conftest import Ratios  # type: ignore[attr-defined]

from rig.runlog.store import RunLog
from webui.app import create_app

FEW, MANY = 1_000, 100_000
CALLS = 20
RATIO = 1.5
QUESTIONS = (
    "/", "/runs", "/runs?valve=V-7", "/runs?verdict=does_not_conform", "/runs?order=slowest",
    "/runs?tag=odd", "/runs?by=Kim&source=board", "/runs?status=tripped", "/runs?order=valve_up",
    "/runs?order=most_missed&columns=oil&columns=release&columns=max&columns=missed",
    "/runs?order=hottest&source=board", "/runs?order=slowest_release&value=33.0&after=500",
)  # fmt: skip


def long_log(path: Path, runs: int) -> None:
    """A log of so many runs: one real run, multiplied row by row in SQL."""
    RunLog(path).close()
    written_runs.write(path, written_runs.Made(strokes=2), analysed=True)
    with sqlite3.connect(path) as log:
        log.execute("PRAGMA foreign_keys = OFF")
        for n in range(10):
            log.execute("INSERT OR IGNORE INTO valves (tag) VALUES (?)", (f"V-{n}",))
        names = [row[1] for row in log.execute("PRAGMA table_info(runs)")]
        made = {
            "id": "n", "uid": "'u' || n", "valve_id": "1 + n % 10",
            "wall_utc_s": "1.7e9 + n * 60.0",
            "person": "CASE n % 5 WHEN 0 THEN 'Kim' ELSE 'Lee' END",
            "source": "CASE n % 3 WHEN 0 THEN 'board' ELSE 'simulated' END",
            "status": "CASE n % 20 WHEN 0 THEN 'tripped' ELSE 'finished' END",
        }  # fmt: skip
        count = "WITH RECURSIVE c(n) AS (SELECT 2 UNION ALL SELECT n + 1 FROM c WHERE n < ?)"
        columns = ", ".join(made.get(name, f'r."{name}"') for name in names)
        quoted = ", ".join(f'"{name}"' for name in names)
        log.execute(
            f"INSERT INTO runs ({quoted}) {count} SELECT {columns} FROM c, runs r WHERE r.id = 1",
            (runs,),
        )
        log.execute(
            "INSERT INTO results (run_id, software, created_utc_s, json, strokes, verdict,"
            " response_mean_ms, response_n, response_max_ms, release_mean_ms, release_n, missed)"
            f" {count} SELECT n, 'x', 0.0, '{{}}', 2,"
            " CASE n % 10 WHEN 0 THEN 'does_not_conform' ELSE 'conforms' END,"
            " 30.0 + n * 7919 % 1000 / 100.0, 2, 31.0 + n * 7919 % 1000 / 100.0,"
            " 28.0 + n * 6007 % 1000 / 100.0, 2, n % 50 = 0 FROM c",
            (runs,),
        )
        log.execute(
            "INSERT INTO conditions (run_id, name, number, unit, how) SELECT id,"
            " 'oil_temperature', 40 + id * 31 % 61, 'degC', 'typed' FROM runs WHERE id > 1"
        )
        log.execute("INSERT INTO tags SELECT id, 'odd' FROM runs WHERE id % 20 = 0")
        log.execute("ANALYZE")


@pytest.mark.timeout(300)
def test_a_long_log_is_listed_like_a_short_one(tmp_path: Path, ratios: Ratios) -> None:
    clients = {}
    for runs in (FEW, MANY):
        path = tmp_path / str(runs) / "runs.sqlite"
        path.parent.mkdir()
        long_log(path, runs)
        clients[runs] = create_app({"RUN_LOG": path}).test_client()
    for question in QUESTIONS:

        def ask(runs: int, question: str = question) -> None:
            answer = clients[runs].get(question)
            shown = "Choose run" if question.startswith("/runs") else "Last run"
            assert answer.status_code == 200 and shown in answer.text, question

        hold_at_most(
            ratios, f"run list {question}, 100,000 runs against 1,000, p95", RATIO,
            timed(lambda: ask(MANY), CALLS, time.process_time),
            timed(lambda: ask(FEW), CALLS, time.process_time),
            per_cent=95, pairs=6, note="({ours:.3g} s against {reference:.3g} s)",
        )  # fmt: skip
    shutil.rmtree(tmp_path / str(MANY))
