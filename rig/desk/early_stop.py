# SPDX-License-Identifier: MIT
"""The desk's side of an early stop: weigh each stroke and ask the bench to end the run.

The bench ends it only between two strokes, with the coil off, and keeps no statistics.
"""

from __future__ import annotations

from rig.analysis.verdict.early_stop_test import EarlyStopCount
from rig.config.setup.model import Setup
from rig.config.sheet.model import Sheet, StrokesSheet
from rig.core.records import decode
from rig.results.live_stroke import LiveStrokes


class EarlyStopWatch:
    """Feed it with `record`; it says once why the run may end."""

    def __init__(self, setup: Setup, sheet: Sheet, source: str) -> None:
        plan = sheet.early_stop if isinstance(sheet, StrokesSheet) else None
        self._count = EarlyStopCount(plan, sheet.accept) if plan is not None else None
        self._live = LiveStrokes(setup, sheet, source) if plan is not None else None

    def record(self, line: bytes) -> str | None:
        """Take one record's line; returns why the run may end, if this stroke decides it."""
        if self._live is None or self._count is None:
            return None
        completed = self._live.put(decode(line))
        return self._count.stroke(completed) if completed is not None else None
