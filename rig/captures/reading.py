# SPDX-License-Identifier: MIT
"""Reads a capture of any form: the form is told by the file's name or by how it begins."""

from __future__ import annotations

import os
from pathlib import Path

from rig.captures.csv_in import CapturedRun, Kept, Plan, Progress, plan_csv, read_csv_runs
from rig.captures.mapping import CaptureMap, Stated
from rig.captures.problems import Problems, cannot_be_read
from rig.captures.vcd_in import is_vcd, read_vcd
from rig.config.setup.model import Setup
from rig.core.errors import UsageError

LONGEST_S = 3600


def stated_resolution_ns(text: str | None) -> int | None:
    """How finely a capture tells time, as a person typed it, None for nothing. UsageError."""
    from rig.core.quantities import QuantityError, parse

    if not text or not text.strip():
        return None
    try:
        seconds = parse(text, "time")
    except QuantityError as error:
        raise UsageError(f"resolution: {error}") from error
    ns = round(seconds * 1e9) if seconds < LONGEST_S else 0
    if not ns > 0:
        raise UsageError(f"resolution: {text} is no time from 1 ns to an hour; write 1 ms")
    return ns


def plan_capture(
    path: str | os.PathLike[str], setup: Setup, said: Stated | None = None,
    kept: Kept | None = None, typed: CaptureMap | None = None,
) -> Plan | None:  # fmt: skip
    """How the capture at `path` will be read, as in plan_csv; None for a VCD, whose signals have
    our names. Raises FileProblems and UsageError."""
    if not _is_vcd(path):
        return plan_csv(path, setup, said, kept, typed)
    if said:
        raise UsageError("--map, --threshold, --scale and --rate are for tables; this is a VCD.")
    return None


def read_capture(
    path: str | os.PathLike[str], setup: Setup, resolution_ns: int | None = None,
    plan: Plan | None = None, progress: Progress | None = None,
) -> list[CapturedRun]:  # fmt: skip
    """Every run of the capture at `path`: a table in wide or long form, or VCD (one run).

    `resolution_ns`: how finely its times are told, where a person states that; a comment in the
    file ("resolution: 1 ms") may state it as well. `plan`: how a table is read, confirmed; without
    it only a table with our own names is. `progress` hears how many bytes of a table were read.

    A file is a VCD where its name ends in .vcd or it begins with a keyword like $date; any other
    is a table. Raises FileProblems with every problem found, and for nothing else.
    """
    if _is_vcd(path):
        return [CapturedRun(None, read_vcd(path, setup, resolution_ns))]
    return read_csv_runs(path, setup, resolution_ns, plan, progress)


def _is_vcd(path: str | os.PathLike[str]) -> bool:
    if Path(path).is_dir():
        return False  # the reader of tables says what it is
    try:
        return is_vcd(path)
    except OSError as error:
        raise cannot_be_read(error, Problems(path)) from error
