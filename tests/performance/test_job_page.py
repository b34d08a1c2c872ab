# SPDX-License-Identifier: MIT
"""A job's pages as the first that anybody asks of a page that was just started.

Processor time over the reference work: what a person waits for besides is the machine's.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest
import written_runs
from blocks import hold_at_most, reference_work, timed
from conftest import Ratios  # type: ignore[attr-defined]

RUNS = 10
TIMES = 18.0
"""Three quarters of it load scipy's functions, which would cost every page 12 MB if loaded ahead;
machines differ in how long that takes."""
ASKED = """
import pathlib, sys, time
from webui import app, serving

made = app.create_app({"RUN_LOG": pathlib.Path(sys.argv[1])})
serving.load_ahead(made)
client = made.test_client()
assert "Job" in client.get("/").text
for _ in range(2):
    began_s = time.process_time()
    answer = client.get(sys.argv[2])
    print(time.process_time() - began_s)
    assert answer.status_code == 200
"""


@pytest.mark.timeout(600)
def test_the_first_page_of_a_job(
    tmp_path: Path, ratios: Ratios, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("PYTHONDONTWRITEBYTECODE", raising=False)  # compiled once, as installed
    monkeypatch.setenv("PYTHONPYCACHEPREFIX", str(tmp_path / "compiled"))
    path = tmp_path / "runs.sqlite"
    for _ in range(RUNS):
        written_runs.write(path, written_runs.Made(strokes=20, missed=(4, 9)), analysed=True)
    warm_s: list[float] = []

    def ours() -> list[float]:
        words = [sys.executable, "-c", ASKED, str(path), "/jobs/1"]
        told = subprocess.run(words, capture_output=True, text=True, check=True).stdout.split()
        warm_s.append(float(told[1]))
        return [float(told[0])]

    ours()
    hold_at_most(
        ratios, "a page of a job asked first, over the reference work", TIMES, ours,
        timed(reference_work, 4, time.process_time),
    )  # fmt: skip
    ratios.note("a page of a job asked again", f"{1e3 * sorted(warm_s)[len(warm_s) // 2]:.0f} ms")
