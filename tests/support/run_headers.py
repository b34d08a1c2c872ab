# SPDX-License-Identifier: MIT
"""The header of a run whose setup and sheet are not read."""

from __future__ import annotations

from typing import Any

from rig.core.clock import WallTime
from rig.runlog.header import RunHeader

SHEET = 'kind = "strokes"\nstrokes = 3\n'


def header(**changes: Any) -> RunHeader:
    given: dict[str, Any] = {
        "source": "simulated",
        "setup_text": 'title = "bench"\n',
        "setup_hash": "a" * 64,
        "setup_name": "bench.setup.toml",
        "sheet_text": SHEET,
        "sheet_hash": "b" * 64,
        "sheet_name": "three.sheet.toml",
        "software": "test 0",
        "wall": WallTime(1_700_000_000.25, 5_000_000_000, "boot-1", True),
    }
    return RunHeader(**{**given, **changes})
