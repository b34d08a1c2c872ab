# SPDX-License-Identifier: MIT
"""Speed of the analysis, see analysis_speed.py: ratios and runs, held to their limits."""

from __future__ import annotations

from pathlib import Path

from analysis_speed import LIMIT_RATIO, LIMIT_RUNS_S, analysis_ratio, runs_a_second
from conftest import Ratios


def test_a_large_recording_against_a_pass_of_numpy(ratios: Ratios) -> None:
    """1,000 strokes, 1e5 edges, 1e6 readings, with all figures and their JSON."""
    ratio = min(analysis_ratio()[0] for _ in range(2))
    ratios.at_most(
        "analysing 1,000 strokes, times a numpy pass of sort and mean", ratio, LIMIT_RATIO
    )


def test_logged_runs_analysed_again(tmp_path: Path, ratios: Ratios) -> None:
    """By the processor's time, so that others at work on the machine do not count."""
    speed, by_clock = runs_a_second(tmp_path, 60)
    ratios.at_least("logged runs of 50 strokes analysed again, runs/s on two cores", speed,
                    LIMIT_RUNS_S, f"({by_clock:.0f} by the clock)")  # fmt: skip
