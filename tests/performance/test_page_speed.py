# SPDX-License-Identifier: MIT
"""The run list in a long log against a short one, a page of 40 runs each time.

Processor time: the files lie in the kernel's cache, and nobody else's work is counted.
"""

from __future__ import annotations

import shutil
import sqlite3
import sys
import time
from pathlib import Path

import pytest
from conftest import Ratios  # type: ignore[attr-defined]

sys.path.append(str(Path(__file__).resolve().parent.parent / "webui"))

import written_runs

from rig.runlog.store import RunLog
from webui.app import create_app

FEW, MANY = 1_000, 100_000
ROUNDS = 60
RATIO = 1.5
QUESTIONS = ("/", "/?valve=V-7", "/?verdict=does_not_conform", "/?order=slowest", "/?tag=odd",
             "/?by=Kim&source=board", "/?status=tripped")  # fmt: skip


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
            f" response_mean_ms) {count} SELECT n, 'x', 0.0, '{{}}', 2,"
            " CASE n % 10 WHEN 0 THEN 'does_not_conform' ELSE 'conforms' END,"
            " 30.0 + n * 7919 % 1000 / 100.0 FROM c",
            (runs,),
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
        taken: dict[int, list[float]] = {FEW: [], MANY: []}
        for _ in range(ROUNDS):
            for runs, client in clients.items():
                start = time.process_time()
                answer = client.get(question)
                taken[runs].append(time.process_time() - start)
                assert answer.status_code == 200 and "Choose run" in answer.text, question
        p95 = {runs: sorted(times)[int(0.95 * ROUNDS)] for runs, times in taken.items()}
        note = f"({1e3 * p95[MANY]:.1f} against {1e3 * p95[FEW]:.1f} ms)"
        what = f"run list {question}, 100,000 runs against 1,000, p95"
        ratios.at_most(what, p95[MANY] / p95[FEW], RATIO, note)
    shutil.rmtree(tmp_path / str(MANY))
