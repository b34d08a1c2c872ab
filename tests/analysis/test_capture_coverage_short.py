# SPDX-License-Identifier: MIT
"""The study of captures in short; in full: `python3 tests/studies/capture_coverage.py`."""

from __future__ import annotations

import ast

import pytest
from loaded_studies import STUDIES, loaded


@pytest.fixture(scope="module")
def study():
    with loaded("capture_coverage") as module:
        yield module


def test_the_generator_knows_nothing_of_the_program():
    tree = ast.parse((STUDIES / "made_captures.py").read_text())
    names = {
        name.name if isinstance(node, ast.Import) else node.module
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in node.names
    }
    assert names == {"__future__", "math", "pathlib", "typing", "numpy"}


@pytest.mark.slow
def test_times_of_any_logger_hold_what_they_say(study, full_study, tmp_path):
    runs = study.RUNS if full_study else 6
    rows = [
        row
        for seed, logger in enumerate(study.LOGGERS, 400)
        for row in study.switching(logger, runs, tmp_path, seed)
    ]
    assert [str(row) for row in rows if not row.holds] == []


@pytest.mark.slow
def test_times_from_the_command_hold_what_they_say(study, full_study, tmp_path):
    """Without read-back the command's stamp is treated like the switch's."""
    runs = study.RUNS if full_study else 10
    rows = list(study.switching(study.LOGGERS[5], runs, tmp_path, 500, coil=False))
    assert [str(row) for row in rows if not row.holds] == []


@pytest.mark.slow
def test_noisy_pressure_holds_what_it_says(study, full_study, tmp_path):
    runs = study.PRESSURE_RUNS if full_study else 2
    rows = [
        row
        for seed, (name, wave, step) in enumerate(study.WAVES, 600)
        for row in study.pressures(name, wave, step, runs, tmp_path, seed)
    ]
    assert [str(row) for row in rows if not row.holds] == []


def test_the_study_would_notice(study):
    assert not study.Row("narrow", "at least", 95, 80, 100).holds
    assert not study.Row("wrong", "at most", 5, 20, 100).holds
    assert study.Row("none given", "at least", 95, 0, 0).holds
