# SPDX-License-Identifier: MIT
"""The results of several runs as one CSV table, for `rig runs --csv` and the page."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, TextIO

from rig.actions.analyse_run import analysed, saved_result
from rig.core.errors import RigError
from rig.text import results_table

if TYPE_CHECKING:
    from rig.core.results.run import Result
    from rig.runlog.rows import StoredRun
    from rig.runlog.store import RunLog


def write_results(log: RunLog, runs: Iterable[int], out: TextIO, *, by_stroke: bool) -> None:
    """Write the runs with these numbers to `out` in order, one row a run or one row a stroke.

    Raises UsageError for a number that the log does not have.
    """
    results_table.write(out, _results(log, runs), by_stroke=by_stroke)


def _results(log: RunLog, runs: Iterable[int]) -> Iterator[Mapping[str, object]]:
    for number in runs:
        stored = log.load(number)
        result = _result(log, stored) or _known(stored)
        yield {**result, "run": number, "purpose": stored.header.purpose}


def _result(log: RunLog, stored: StoredRun) -> Result | None:
    """As on the run's own page: the stored result, else one computed now; None if the records
    cannot be read."""
    saved = saved_result(log, stored)
    if saved is not None:
        return saved
    try:
        return analysed(stored)
    except (RigError, ValueError):
        return None


def _known(stored: StoredRun) -> dict[str, object]:
    """What is known of a run without a result."""
    header = stored.header
    wall = header.wall
    known = {name: getattr(header, name) for name in results_table.NAMED}
    return known | {
        "source": header.source, "status": stored.status, "kind": header.kind,
        "conditions": header.conditions,
        "clock": {"started_utc_s": wall.utc_s, "synchronised": wall.synchronised},
    }  # fmt: skip
