# SPDX-License-Identifier: MIT
"""The known-truth study in short; in full: `python3 tests/studies/coverage.py`."""

from __future__ import annotations

import pytest
from loaded_studies import loaded


@pytest.fixture(scope="module")
def study():
    with loaded("coverage") as module:
        yield module


@pytest.mark.slow
def test_intervals_cover_what_they_say(study, full_study):
    runs = study.FULL_RUNS if full_study else 160
    rows = [
        *study.coverage(runs, 12, readback=True, sd_ms=0.5, seed=21),
        *study.coverage(runs, 12, readback=False, sd_ms=2.0, seed=22),
        study.on_the_limit(runs, 12, "mean", readback=True, sd_ms=1.0, seed=23),
        study.on_the_limit(runs, 12, "tolerance", readback=True, sd_ms=1.0, seed=24),
        study.on_the_limit(runs, 1, "each", readback=False, sd_ms=1.0, seed=25),
        *study.missed_share(runs, 20, 0.1, seed=26),
    ]
    assert [str(row) for row in rows if not row.holds] == []


def test_the_study_would_notice_an_interval_that_is_too_narrow(study):
    """A row of 90 % where 95 % is asked does not hold in the full study, and 80 % not in 300."""
    assert not study.Row("narrow", 1800, 2000, 0.95, "exact").holds
    assert not study.Row("narrow", 240, 300, 0.95, "exact").holds
    assert not study.Row("wide", 1980, 2000, 0.95, "exact").holds
    assert study.Row("wide", 1980, 2000, 0.95, "at least").holds
    assert not study.Row("wrong accepts", 140, 2000, 0.05, "at most").holds
