# SPDX-License-Identifier: MIT
"""The results of several runs as one CSV table, for `rig runs --csv` and the page alike."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any, TextIO

from rig.actions.analyse_run import analysed
from rig.core.errors import RigError
from rig.text import results_table

if TYPE_CHECKING:
    from rig.runlog.rows import StoredRun
    from rig.runlog.store import RunLog


def write_results(log: RunLog, runs: Iterable[int], out: TextIO, *, by_stroke: bool) -> None:
    """Write the runs of these numbers to `out`, a row a run or a row a stroke, in their order.

    Raises UsageError for a number that the log does not have.
    """
    results_table.write(out, _results(log, runs), by_stroke=by_stroke)


def _results(log: RunLog, runs: Iterable[int]) -> Iterator[dict[str, Any]]:
    for number in runs:
        stored = log.load(number)
        result = _result(log, stored) or _known(stored)
        yield {**result, "run": number, "purpose": stored.header.purpose}


def _result(log: RunLog, stored: StoredRun) -> dict[str, Any] | None:
    """As the run's own page has it: the stored result, else one worked out now; None where the
    records cannot be read."""
    saved = None if stored.status == "running" else log.result(stored.id)
    if saved is not None:
        return saved
    try:
        return analysed(stored)
    except (RigError, ValueError):
        return None


def _known(stored: StoredRun) -> dict[str, Any]:
    """What is known of a run without a result."""
    header = stored.header
    wall = header.wall
    known = {name: getattr(header, name) for name in results_table.NAMED}
    return known | {
        "source": header.source, "status": stored.status, "kind": header.kind,
        "conditions": header.conditions,
        "clock": {"started_utc_s": wall.utc_s, "synchronised": wall.synchronised},
    }  # fmt: skip
