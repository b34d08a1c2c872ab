# SPDX-License-Identifier: MIT
"""Reads a capture of any form: the form is told by the file's name or by how it begins."""

from __future__ import annotations

import os

from rig.captures.csv_in import CapturedRun, read_csv_runs
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


def read_capture(
    path: str | os.PathLike[str], setup: Setup, resolution_ns: int | None = None
) -> list[CapturedRun]:
    """Every run of the capture at `path`: CSV in wide or long form, or VCD (one run).

    `resolution_ns`: how finely its times are told, where a person states that; a comment in the
    file ("resolution: 1 ms") may state it as well.

    A file is a VCD where its name ends in .vcd or it begins with a keyword like $date; any other
    is a CSV. Raises FileProblems with every problem found, and for nothing else.
    """
    try:
        vcd = is_vcd(path)
    except IsADirectoryError:
        vcd = False  # the CSV reader says what it is
    except OSError as error:
        raise cannot_be_read(error, Problems(path)) from error
    if vcd:
        return [CapturedRun(None, read_vcd(path, setup, resolution_ns))]
    return read_csv_runs(path, setup, resolution_ns)
