# SPDX-License-Identifier: MIT
"""The desk's side of an early stop: it weighs each stroke and asks the bench to end the run.

The bench only ends it between two strokes, with the coil off; it keeps no statistics.
"""

from __future__ import annotations

from rig.analysis.verdict.early_stop_test import EarlyStopCount
from rig.config.setup.model import Setup
from rig.config.sheet.model import Sheet, StrokesSheet
from rig.core.records import decode
from rig.results.live_stroke import LiveStrokes


class EarlyStopWatch:
    """Feed with `record`; says why the run may end, once."""

    def __init__(self, setup: Setup, sheet: Sheet, source: str) -> None:
        plan = sheet.early_stop if isinstance(sheet, StrokesSheet) else None
        self._count = EarlyStopCount(plan, sheet.accept) if plan is not None else None
        self._live = LiveStrokes(setup, sheet, source) if plan is not None else None

    def record(self, line: bytes) -> str | None:
        """Take one record's line; why the run may end, where this stroke decides it."""
        if self._live is None or self._count is None:
            return None
        completed = self._live.put(decode(line))
        return self._count.stroke(completed) if completed is not None else None
