# SPDX-License-Identifier: MIT
"""Input of a report from the run log: the same for the command and the page."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from rig.actions.analyse_run import analysed, recording_of, saved_result, texts_of
from rig.actions.load_results import results_in
from rig.core.errors import FileProblems, RigError, StorageError, UsageError
from rig.runlog import attachments, kept_files, register

if TYPE_CHECKING:
    from rig.config.setup.model import Setup
    from rig.report.page import JobWork, Photo, Reported
    from rig.runlog.store import RunLog


def reported(log: RunLog, number: int, before: int | None = None) -> Reported:
    """Run `number` with everything its report shows, compared with run `before`.

    Raises UsageError for a run that does not exist or is still going on.
    """
    from rig.actions.exercise.store import Exercises
    from rig.report.page import Reported

    stored = Exercises.beside(log.path).without_seed(log.load(number))
    if stored.status == "running":
        raise UsageError(f"Run {number} still goes on; a report is made of a run that has ended.")
    setup, sheet = texts_of(stored)
    result = saved_result(log, stored) or analysed(stored)
    try:
        recording = recording_of(stored, setup) if setup is not None else None
    except (RigError, ValueError):  # damaged raw records: the figures can still be printed
        recording = None
    comparison, refused = None, ""
    if before is not None:
        from rig.analysis.compare.compare_runs import compare_runs
        from rig.config.sheet.compare import Compare

        found = results_in(log, [str(before), str(number)])
        settings = getattr(found[0].sheet, "compare", None) or Compare()
        try:
            comparison = compare_runs(
                [one.result for one in found], settings, [one.medium for one in found]
            )
        except UsageError as error:
            refused = str(error)
    return Reported(
        number, result, stored.header, setup, sheet, recording, comparison, refused,
        _photos(log, number), _work(log, stored.header.job, setup),
    )  # fmt: skip


def _work(log: RunLog, job: str | None, setup: Setup | None) -> JobWork:
    """What was written on the run's job; its checks are left out where their file was edited and
    cannot be read, which `rig job show` explains."""
    from rig.actions.job_checks import checks_done
    from rig.diagnosis.checks_file import load_checks
    from rig.diagnosis.knowledge.loading import load_knowledge
    from rig.report.page import JobWork

    number = register.number_of(log, register.JOB, job) if job is not None else None
    entry = register.entry(log, register.JOB, number) if number is not None else None
    if number is None or entry is None:
        return JobWork()
    path, checks = kept_files.checks_path(log.path, number), None
    with contextlib.suppress(FileProblems):
        checks = load_checks(path, load_knowledge()) if path.exists() else None
    done = checks_done(checks, load_knowledge(), setup)
    return JobWork(entry.complaint, tuple(one.line for one in done), entry.repair)


def _photos(log: RunLog, number: int) -> tuple[Photo, ...]:
    """The photos chosen for the report; one missing from the disk is left out."""
    from rig.report.page import Photo

    found = []
    for one in attachments.on(log, attachments.RUN, number):
        if one.in_report:
            with contextlib.suppress(StorageError):
                found.append(Photo(one.id, attachments.content(log, one), one.words))
    return tuple(found)
