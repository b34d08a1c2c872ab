# SPDX-License-Identifier: MIT
"""From runs of the log to a diagnosis: terminal and page both come here."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rig.actions.analyse_run import load_of_a_valve, opened_log, run_number, run_seen
from rig.core.errors import UsageError

if TYPE_CHECKING:
    from rig.diagnosis.findings.model import RunSeen
    from rig.diagnosis.model import Diagnosis
    from rig.runlog.store import RunLog

Path = str | os.PathLike[str]


def diagnosed(
    runs: Sequence[str], checks: Path | None = None, good: str | None = None,
    causes: Path | None = None,
) -> Diagnosis:  # fmt: skip
    """The diagnosis of the runs a person named. Raises UsageError for a run that is not in the log,
    FileProblems for a refused file."""
    from rig.diagnosis.checks_file import load_checks
    from rig.diagnosis.diagnose import diagnose
    from rig.diagnosis.knowledge.loading import load_knowledge

    knowledge = load_knowledge(causes)
    done = load_checks(checks, knowledge) if checks is not None else None
    with opened_log() as log:
        seen = [run_seen(load_of_a_valve(log, run_number(log, run))) for run in runs]
        known_good = known_good_run(log, good, seen) if good is not None else None
    _one_source(seen)
    return diagnose(knowledge, seen, done, known_good)


def known_good_run(log: RunLog, named: str, runs: Sequence[RunSeen]) -> RunSeen:
    """The run that a person named as known-good, to compare with `runs`. Raises UsageError for one
    that is itself diagnosed, was rejected, or has another source."""
    good = run_seen(load_of_a_valve(log, run_number(log, named)))
    if good.name in {run.name for run in runs}:
        raise UsageError(f"{good.name} cannot be its own known-good run; name another by --good.")
    if good.verdict == "does_not_conform":
        raise UsageError(f"{good.name} does not conform, so it is no known-good run.")
    _one_source([*runs, good])
    return good


def _one_source(runs: Sequence[RunSeen]) -> None:
    """Refuse to mix measured and computed runs."""
    sources = {run.result.source for run in runs}
    if len(sources) > 1:
        raise UsageError(
            f"These runs are of different sources ({', '.join(sorted(sources))}): "
            "diagnose those of one source."
        )
