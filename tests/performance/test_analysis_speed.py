# SPDX-License-Identifier: MIT
"""Speed of the analysis, against numpy and against a fixed piece of work."""

from __future__ import annotations

import time
from pathlib import Path

from analysis_speed import (
    LIMIT_RATIO,
    LIMIT_RUN_TIMES,
    LOGGED_STROKES,
    analyse_again,
    analysis_sides,
    log_runs,
)
from blocks import hold_at_most, reference_work, timed
from conftest import Ratios  # type: ignore[attr-defined]

RUNS, BATCH = 60, 10


def test_a_large_recording_against_a_pass_of_numpy(ratios: Ratios) -> None:
    """1,000 strokes, 1e5 edges, 1e6 readings, with all figures and their JSON."""
    ours, numpy_pass = analysis_sides()
    hold_at_most(
        ratios, "analysing 1,000 strokes, times a numpy pass of sort and mean", LIMIT_RATIO,
        timed(ours, 1), timed(numpy_pass, 1), pairs=4, most_pairs=16,
        note="({ours:.3g} s against {reference:.3g} s)",
    )  # fmt: skip


def test_logged_runs_analysed_again(tmp_path: Path, ratios: Ratios) -> None:
    """One run as `rig show` would analyse it, by the processor's time."""
    log_runs(tmp_path, RUNS)
    analyse_again(str(tmp_path), [1])  # loads what is loaded late
    left = [list(range(first, first + BATCH)) for first in range(1, RUNS, BATCH)]

    def ours() -> list[float]:
        left.append(left.pop(0))
        return [analyse_again(str(tmp_path), left[0]) / BATCH]

    found = hold_at_most(
        ratios, f"analysing a logged run of {LOGGED_STROKES} strokes, times the reference work",
        LIMIT_RUN_TIMES, ours, timed(reference_work, 4, time.process_time),
        note="({ours:.3g} s against {reference:.3g} s)",
    )  # fmt: skip
    ratios.note("logged runs analysed again, a second of one processor", f"{1 / found.ours:.0f}")
