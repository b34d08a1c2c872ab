# SPDX-License-Identifier: MIT
"""Whole runs on the simulated rig with a gauge that speaks between control characters."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from live_runs import SETUP, SHEET, rig

MARKED = SETUP.replace('"{pressure} {unit}"', '"{STX}P{pressure} {unit}{ETX}{bcc}"')


def written(folder: Path, setup: str) -> tuple[str, str]:
    (folder / "a.setup.toml").write_text(setup)
    (folder / "a.sheet.toml").write_text(SHEET.replace("strokes = 60", "strokes = 5"))
    return str(folder / "a.setup.toml"), str(folder / "a.sheet.toml")


def test_a_run_reads_it(tmp_path: Path) -> None:
    setup, sheet = written(tmp_path, MARKED)
    assert rig("check", setup, sheet).returncode == 0
    done = rig("run", setup, sheet, "--fast", "--seed", "1", "--json")
    assert done.returncode == 0, done.stderr
    result = json.loads(done.stdout)
    assert all(stroke["pressure"]["high_kpa"] > 200 for stroke in result["strokes"])
    raw = rig("gauge", setup, "--raw", "--seconds", "0.5")
    assert "{STX}P" in raw.stdout and "kPa{ETX}" in raw.stdout and "good" in raw.stdout


@pytest.mark.parametrize("fails", ["garbage", "NaN", "silent"])
def test_frames_that_cannot_be_believed_trip_as_stale_lines_do(tmp_path: Path, fails: str) -> None:
    simulated = f'[simulated]\nfault_after = "0.5 s"\n[simulated.gauge]\nfails = "{fails}"\n'
    setup, sheet = written(tmp_path, MARKED.replace('"2 s"', '"300 ms"') + simulated)
    done = rig("run", setup, sheet, "--fast", "--seed", "1")
    assert done.returncode == 3, (done.stdout, done.stderr)
    assert "gauge" in done.stdout + done.stderr
