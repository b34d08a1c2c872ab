# SPDX-License-Identifier: MIT
"""Read a capture of any form; the form follows from the file name or the first bytes."""

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
    """The time resolution of a capture as typed by a person, None for none. Raises UsageError."""
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
    """How to read the capture at `path`, as in plan_csv; None for a VCD, whose signals have our
    names. Raises FileProblems and UsageError."""
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

    `resolution_ns`: its time resolution, where a person states it; a comment in the file
    ("resolution: 1 ms") may state it too. `plan`: the confirmed way to read a table; without it
    only a table with our own names is read. `progress` gets the number of bytes of a table read so
    far.

    A file is a VCD where its name ends in .vcd or it begins with a keyword like $date; any other
    is a table. Raises FileProblems with every problem found, and nothing else.
    """
    if _is_vcd(path):
        return [CapturedRun(None, read_vcd(path, setup, resolution_ns))]
    return read_csv_runs(path, setup, resolution_ns, plan, progress)


def _is_vcd(path: str | os.PathLike[str]) -> bool:
    if Path(path).is_dir():
        return False  # the table reader says what it is
    try:
        return is_vcd(path)
    except OSError as error:
        raise cannot_be_read(error, Problems(path)) from error
