# SPDX-License-Identifier: MIT
"""The results of several runs of the log, for commands that compare them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from rig.actions.analyse_run import (
    analysed,
    load_of_a_valve,
    opened_log,
    run_number,
    saved_result,
    texts_of,
)

if TYPE_CHECKING:
    from rig.config.sheet.model import Sheet
    from rig.core.results.run import Result
    from rig.runlog.store import RunLog


class RunWithResult(NamedTuple):
    """A run's result (the JSON of a run), its sheet and the medium of its setup."""

    result: Result
    sheet: Sheet | None
    medium: str | None


def results_of(texts: Sequence[str]) -> list[RunWithResult]:
    """The runs a person named, in order, each with its stored result, else analysed now.

    Raises UsageError for a run that is not in the log, or whose purpose was not to judge a valve.
    """
    with opened_log() as log:
        return results_in(log, texts)


def results_in(log: RunLog, texts: Sequence[str]) -> list[RunWithResult]:
    """The same from an open log."""
    found = []
    for text in texts:
        number = run_number(log, text)
        stored = load_of_a_valve(log, number)
        setup, sheet = texts_of(stored)
        result = saved_result(log, stored) or analysed(stored)
        found.append(RunWithResult(result, sheet, setup.medium if setup else None))
    return found
