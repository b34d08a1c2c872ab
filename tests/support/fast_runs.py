# SPDX-License-Identifier: MIT
"""Runs of the demo's setups in virtual time, as the lines that a bench sends."""

from __future__ import annotations

from pathlib import Path

from rig.compose import FastRun
from rig.config.files.loading import load_pair
from rig.config.setup.model import Setup
from rig.config.sheet.model import Sheet

DEMO = Path(__file__).parents[2] / "demo"


class Lines:
    """Takes a fast run's lines."""

    lag_s, overflowed, recorder = 0.0, False, None

    def __init__(self) -> None:
        self.lines: list[bytes] = []

    def put(self, line: str) -> None:
        self.lines.append(line.encode())


def fast_run(
    setup_name: str, sheet_name: str, **changes: object
) -> tuple[Setup, Sheet, list[bytes]]:
    """A whole run of two of the demo's files, the sheet with `changes`."""
    setup, sheet = load_pair(DEMO / setup_name, DEMO / sheet_name)
    assert sheet is not None
    changed = sheet.sheet.model_copy(update=changes)
    fast, lines = FastRun(setup.setup, changed, seed=3), Lines()
    try:
        assert not fast.preflight().refused
        fast.run(lines, lambda _: None)  # type: ignore[arg-type]
    finally:
        fast.close()
    return setup.setup, changed, lines.lines
