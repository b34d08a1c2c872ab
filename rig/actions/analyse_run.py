# SPDX-License-Identifier: MIT
"""From a stored run to its result: `run`, `show` and the page all analyse a recording here."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

from rig.core.errors import FileProblems, UsageError
from rig.core.results.run import complete
from rig.text.words import no_valve_words

if TYPE_CHECKING:
    import datetime

    from rig.config.setup.model import Setup
    from rig.config.sheet.model import Sheet
    from rig.core.recording import Recording
    from rig.core.results.run import Commissioning, Result, WallClock
    from rig.diagnosis.findings.model import RunSeen
    from rig.runlog.rows import StoredRun
    from rig.runlog.store import RunLog

LOOKED_BACK = 20
"""Number of a valve's earlier runs to search for one that conformed."""


def opened_log() -> RunLog:
    """Open the run log for reading. Raises UsageError if nothing was ever run here."""
    from rig.core.places import log_path
    from rig.runlog.schema import NoLogError
    from rig.runlog.store import RunLog

    path = log_path()
    try:
        return RunLog.reading(path)
    except NoLogError as error:
        raise UsageError(
            f"There is no run log at {path} yet: nothing was ever run here."
        ) from error


class StoredTexts(NamedTuple):
    """Setup and sheet of a stored run, None if this program cannot read a later program's.
    `remarks`: sentences on what was left out of the setup; its text stays as recorded."""

    setup: Setup | None
    sheet: Sheet | None
    remarks: tuple[str, ...] = ()


def stored_texts(stored: StoredRun) -> StoredTexts:
    """Setup and sheet as they were for the run."""
    header = stored.header
    return _read(header.setup_text, header.setup_name, header.sheet_text, header.sheet_name)


@lru_cache(maxsize=4)  # a run's page asks several times, and a job's runs share their files
def _read(
    setup_text: str, setup_name: str, sheet_text: str | None, sheet_name: str | None
) -> StoredTexts:
    from rig.config.files.loading import sheet_from_text, stored_setup

    setup = sheet = None
    remarks: tuple[str, ...] = ()
    with contextlib.suppress(FileProblems):
        loaded = stored_setup(setup_text, setup_name)
        setup = loaded.setup
        remarks = tuple(
            f"Left out of the setup stored with this run: {problem.key}. {problem.what} Figures "
            "are worked out as for a rig without it."
            for problem in loaded.left_out
        )
    with contextlib.suppress(FileProblems):
        if setup is not None and sheet_text is not None:  # else nothing may be judged
            sheet = sheet_from_text(sheet_text, sheet_name or "sheet").sheet
    return StoredTexts(setup, sheet, remarks)


def texts_of(stored: StoredRun) -> tuple[Setup | None, Sheet | None]:
    """Setup and sheet from stored_texts."""
    return stored_texts(stored)[:2]


def remark_of(stored: StoredRun) -> str:
    """What the recorder added to a run, and what is left out of its setup today."""
    return " ".join(filter(None, (stored.remark, *stored_texts(stored).remarks)))


def recording_of(stored: StoredRun, setup: Setup | None) -> Recording:
    """The recording of a stored run."""
    from rig.core.recording import RecordingBuilder

    builder = RecordingBuilder(stored.header.source)
    if setup is not None:
        builder.switch_closed_level = setup.switch_closed_level
        builder.readback_live_level = setup.coil_live_level
    for text in stored.chunks():
        builder.add_lines(text)
    return builder.build()


def run_seen(stored: StoredRun) -> RunSeen:
    """Analyse a stored run, keeping its recording: findings need more than the figures. Its verdict
    is that of the log, where it has one."""
    from rig.analysis.analyse import analyse
    from rig.diagnosis.findings.model import RunSeen

    setup, sheet = texts_of(stored)
    status = stored.status if stored.status in ("running", "interrupted") else None
    recording, conditions = recording_of(stored, setup), stored.header.conditions
    result = analyse(recording, setup, sheet, conditions, status, day_of(stored))
    judged_as = stored.verdict if status is None else None
    return RunSeen(f"run {stored.id}", recording, result, setup, sheet, conditions, judged_as)


def analysed(stored: StoredRun, good: RunSeen | None = None) -> Result:
    """Analyse a stored run now; returns its result as JSON. `good`: an earlier run of the same
    valve that conformed."""
    from rig.actions.judge_run import judged_json
    from rig.results.run_json import AboutRun

    run, header = replace(run_seen(stored), judged_as=None), stored.header
    about = AboutRun(
        run=stored.id, seed=header.seed, setup_hash=header.setup_hash, sheet_hash=header.sheet_hash,
        valve=header.valve, job=header.job, by=header.by, mount=header.mount, note=header.note,
        conditions=header.conditions, watched=header.watched, not_watched=header.not_watched,
        software=header.software, purpose=header.purpose,
    )  # fmt: skip
    shape = judged_json(run, about, good)
    if shape["end"] is not None:
        shape["end"]["why"] = _why_stopped(run.recording)
    shape["remark"] = remark_of(stored)
    shape["purpose"] = stored.header.purpose
    shape["clock"] = clock_json(stored)
    shape["commissioning"] = _commissioning(stored, run.setup)
    return shape


def saved_result(log: RunLog, stored: StoredRun) -> Result | None:
    """The result stored with a run; None where there is none, it is no longer true because the run
    goes on, or an earlier program stored it without keys of today: it is then worked out again."""
    result = None if stored.status == "running" else log.result(stored.id)
    return result if result is not None and complete(result) else None


def earlier_good(log: RunLog, stored: StoredRun) -> RunSeen | None:
    """The oldest of this valve's last stroke runs that conformed, on the same rig as set up and
    with the same source; None if there is none. The oldest, because comparing each run with one
    nearly as far gone would hide a slow change."""
    header = stored.header
    if header.valve is None:
        return None
    for row in reversed(log.runs(LOOKED_BACK, stored.id, header.valve)):
        like = (row.source, row.kind, row.verdict) == (header.source, "strokes", "conforms")
        if like and _wired(other := log.load(row.id)) == _wired(stored):
            return run_seen(other)
    return None


def _wired(stored: StoredRun) -> str:
    """The setup as wired: hidden details of its simulated plant are not part of that."""
    from rig.config.files.simulated_table import without_table

    return without_table(stored.header.setup_text) or stored.header.setup_text


def _commissioning(stored: StoredRun, setup: Setup | None) -> Commissioning | None:
    """The state of commissioning when the run was made; None for a capture, whose rig is
    unknown."""
    from rig.actions.commission.record import standing

    if setup is None or stored.header.source == "capture":
        return None
    return standing(setup, stored.header.wall.utc_s, day_of(stored))


def day_of(stored: StoredRun) -> datetime.date | None:
    """The date of a run by its wall clock (UTC); None if that cannot be a date."""
    import datetime

    try:
        return datetime.datetime.fromtimestamp(stored.header.wall.utc_s, datetime.UTC).date()
    except (ValueError, OverflowError, OSError):
        return None


def clock_json(stored: StoredRun) -> WallClock:
    """The wall clock of a run, seconds; null if unknown. Times within the run come from the
    monotonic clock and do not depend on it."""
    wall, change = stored.header.wall, stored.clock
    return {
        "started_utc_s": wall.utc_s,
        "synchronised": wall.synchronised,
        "stepped_s": None if change is None else change.stepped_s,
        "slept_s": None if change is None else change.slept_s,
    }


def _why_stopped(recording: Recording) -> str:
    """Why a person or the sheet stopped the run; empty if nothing did."""
    return next((c.detail for c in recording.conditions if c.kind == "stopped"), "")


def analyse_and_save(log: RunLog, run: int) -> Result:
    """Analyse run `run` and store the result in the log."""
    stored = log.load(run)
    shape = analysed(stored, earlier_good(log, stored))
    log.save_result(run, shape, stored.header.software)
    return shape


def load_of_a_valve(log: RunLog, number: int) -> StoredRun:
    """Load a run to judge its valve. Raises UsageError for a run whose purpose was the rig
    itself."""
    stored = log.load(number)
    other = no_valve_words(stored.header.purpose)
    if other:
        raise UsageError(f"Run {number} says nothing of a valve. {other} Leave it out.")
    return stored


RUN_DIGITS = 18
"""Longer run numbers do not fit the database's 64-bit integers."""


def run_number(log: RunLog, text: str) -> int:
    """The number of the run a person named: a number, "last", or the code on a printed report
    (urn:uuid:...). Raises UsageError."""
    if text.lower().startswith("urn:uuid:"):
        found = log.uid_of(text[len("urn:uuid:") :].replace("-", "").lower())
        if found is None:
            raise UsageError(f"The run {text} is not in this log; another machine recorded it.")
        return found
    if text == "last":
        newest = log.runs(limit=1)
        if not newest:
            raise UsageError("The run log is empty: nothing was ever run here.")
        return newest[0].id
    if not text.isascii() or not text.isdigit():
        raise UsageError(
            f'"{text}" is not a run: give its number, or "last". `rig runs` lists them.'
        )
    if len(text.lstrip("0")) > RUN_DIGITS:
        raise UsageError(f"There is no run {text} in this log. `rig runs` lists them.")
    return int(text)
