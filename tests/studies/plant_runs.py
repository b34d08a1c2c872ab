# SPDX-License-Identifier: MIT
"""Runs on the simulated rig: the whole physics, the real bench, the real analysis."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from rig.analysis.analyse import analyse
from rig.compose import FastRun
from rig.config.files.loading import load_setup
from rig.config.setup.model import Setup
from rig.config.sheet.model import Sheet, StrokesSheet
from rig.core.recording import Recording, RecordingBuilder
from rig.results.run_json import run_json

DEMO = Path(__file__).parents[2] / "demo/workshop.setup.toml"


class _Keep:
    """A RecordSink that keeps everything in a recording builder."""

    lag_s, overflowed = 0.0, False

    def __init__(self, builder: RecordingBuilder) -> None:
        self._builder = builder

    def put(self, line: str) -> None:
        self._builder.add_lines(line.encode())


def recorded(wired: Setup, page: Sheet, seed: int) -> Recording:
    """One run in virtual time. Raises RigError where the rig refuses."""
    builder = RecordingBuilder("simulated", wired.switch_closed_level, wired.coil_live_level)
    run = FastRun(wired, page, seed)
    try:
        run.preflight()
        run.run(_Keep(builder), lambda line: None)  # type: ignore[arg-type]
    finally:
        run.close()
    return builder.build()


def plant_run(page: StrokesSheet, seed: int) -> dict[str, Any]:
    """The result of one run of the demo's rig with this seed."""
    wired = load_setup(DEMO).setup
    return run_json(analyse(recorded(wired, page, seed), wired, page))
