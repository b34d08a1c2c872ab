# SPDX-License-Identifier: MIT
"""Names of files that leave the program: valve, run and source, in that order."""

from __future__ import annotations

import re
from collections.abc import Sequence

NO_FILE_NAME, TAG_MOST = re.compile(r"[^A-Za-z0-9._-]+"), 40
"""Characters that no file name should have on any system, and the maximum length of a tag."""


def file_stem(number: int, valve: str | None, source: str) -> str:
    """The name of a run's file, without its extension."""
    return _joined(valve, f"run-{number}", source.replace(" ", "-"))


def runs_stem(numbers: Sequence[int], valves: Sequence[str | None]) -> str:
    """The name of a file of several runs; with the valve's tag where all are of one valve."""
    valve = valves[0] if len(set(valves)) == 1 else None
    return _joined(valve, f"runs-{min(numbers)}-to-{max(numbers)}")


def _joined(valve: str | None, *parts: str) -> str:
    tag = NO_FILE_NAME.sub("-", valve or "").strip("-.")[:TAG_MOST]
    return "-".join(part for part in (tag, *parts) if part)
