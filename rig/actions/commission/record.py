# SPDX-License-Identifier: MIT
"""The dated record of a commissioning, where it is stored, and what it means for a run."""

from __future__ import annotations

import datetime
import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from rig.core import places, state_file
from rig.core.atomic_file import whole_file
from rig.core.errors import (
    EXIT_DOES_NOT_CONFORM,
    EXIT_OK,
    EXIT_TRIPPED,
    EXIT_UNDECIDED,
    StorageError,
)

if TYPE_CHECKING:
    from rig.config.setup.model import Setup
    from rig.core.results.run import Commissioning

Result = Literal["passed", "failed", "not tried", "left out"]
PASSED: Final = "passed"
FAILED: Final = "failed"
NOT_TRIED: Final = "not tried"
"""This rig has nothing to try."""
LEFT_OUT: Final = "left out"
"""A person skipped a step that could be tried."""
NOT_FINISHED: Final = "not finished"
"""Of a whole record: it was interrupted, or is in progress."""
EXITS = {
    PASSED: EXIT_OK, FAILED: EXIT_DOES_NOT_CONFORM, LEFT_OUT: EXIT_UNDECIDED,
    NOT_FINISHED: EXIT_TRIPPED,
}  # fmt: skip


class _Kept(BaseModel):
    model_config = ConfigDict(frozen=True)


class Measured(_Kept):
    """One value with its limit; no limit if it is for information."""

    name: str
    value: float | None
    unit: str
    least: float | None = None
    most: float | None = None

    @property
    def held(self) -> bool:
        """Whether the value is known and within its limits; NaN is not."""
        if self.least is None and self.most is None:
            return True
        if self.value is None:
            return False
        low = self.least is None or self.value >= self.least
        return low and (self.most is None or self.value <= self.most)

    @property
    def words(self) -> str:
        """The value with its unit and limits; a whole number without decimals."""
        limits = (("at least", self.least), ("at most", self.most))
        bounds = [f"{word} {_digits(each)}" for word, each in limits if each is not None]
        shown = "not known" if self.value is None else _digits(self.value)
        return ", ".join([f"{shown} {self.unit}".rstrip(), *bounds])


def _digits(value: float) -> str:
    """Four significant figures, but always the whole integer part."""
    return f"{value:.0f}" if value == round(value) else f"{value:.4g}"


class StepResult(_Kept):
    """What one step found."""

    id: str
    title: str
    how: str
    limit: str
    result: Result
    words: str
    measured: tuple[Measured, ...] = ()
    remedy: str = ""
    """Empty unless the step failed."""
    runs: tuple[int, ...] = ()
    """Runs of the log in which it was measured."""


class Record(_Kept):
    """A commissioning: what, when, by whom, and every step."""

    rig: str
    setup_name: str
    setup_hash: str
    wired_hash: str
    source: str
    utc_s: float
    date: datetime.date
    due: datetime.date
    by: str
    software: str
    steps: tuple[StepResult, ...]
    finished: bool | None = None
    """False from before the first step until after the last; None in a record of an earlier
    program, which did not store it."""

    @property
    def result(self) -> str:
        """PASSED, FAILED, NOT_FINISHED, or LEFT_OUT if a step that could be tried was not."""
        found = {step.result for step in self.steps}
        if FAILED in found:
            return FAILED
        if not self.finished:
            return NOT_FINISHED
        return LEFT_OUT if LEFT_OUT in found else PASSED

    @property
    def exit_code(self) -> int:
        return EXITS[self.result]

    @property
    def headline(self) -> str:
        """One line."""
        if self.result == PASSED:
            return f"Commissioned on {self.date} by {self.by}; due again by {self.due}."
        if self.result == NOT_FINISHED and self.finished is None:
            return (
                f"NOT COMMISSIONED on {self.date}: the record is of an earlier program "
                f"({self.software}), which did not note whether every step was come to. "
                "Commission the rig again."
            )
        if self.result == NOT_FINISHED:
            return f"NOT COMMISSIONED on {self.date}: not finished."
        wrong = ", ".join(step.title for step in self.steps if step.result == self.result)
        return f"NOT COMMISSIONED on {self.date}: {self.result}: {wrong}."


def rig_of(setup: Setup) -> str:
    """The name under which records of a setup's rig are stored."""
    return state_file.rig_name(setup.backend, setup.chip, setup.relay.line)


def folder() -> Path:
    """Folder of the records; it need not exist."""
    return places.data_dir() / "commissioning"


def path_of(record: Record) -> Path:
    """Path of a record."""
    return folder() / f"{record.rig}-{round(1000 * record.utc_s)}.json"


def save(record: Record) -> Path:
    """Save a record for good, replacing its earlier version. Raises StorageError."""
    path = path_of(record)
    try:
        path.parent.mkdir(exist_ok=True)
        with whole_file(path, lasting=True) as file:
            file.write(as_json(record) + "\n")
    except OSError as error:
        raise StorageError(f"The record {path} cannot be written ({error}).") from error
    return path


def as_json(record: Record) -> str:
    """The record as a JSON object, with its result."""
    shape = record.model_dump(mode="json")
    shape |= {"result": record.result, "headline": record.headline}
    return json.dumps(shape, allow_nan=False, ensure_ascii=False, indent=1)


def records(rig: str | None = None) -> list[Record]:
    """The records, newest first. Raises StorageError for one that cannot be read."""
    return sorted(_read(rig), key=lambda record: -record.utc_s)


def _read(rig: str | None) -> Iterator[Record]:
    for path in folder().glob("*.json"):
        try:
            record = Record.model_validate_json(path.read_bytes())
        except (OSError, ValidationError) as error:
            raise StorageError(
                f"The commissioning record {path} cannot be read. Move it away and commission the "
                f"rig again ({type(error).__name__})."
            ) from error
        if rig is None or record.rig == rig:
            yield record


def standing(setup: Setup | None, utc_s: float, day: datetime.date | None) -> Commissioning | None:
    """Commissioning state of the rig of a run that began at `utc_s`, on `day`; None if no setup is
    known. Keys: state, date, due, words."""
    if setup is None:
        return None
    try:
        last = next((one for one in records(rig_of(setup)) if one.utc_s <= utc_s), None)
    except StorageError as error:
        return _words("unknown", None, str(error))
    return _standing(setup, last, day)


def against(record: Record, setup: Setup) -> str:
    """Why this record does not apply to that setup today; empty if it does."""
    found = _standing(setup, record, datetime.datetime.now(datetime.UTC).date())
    return "" if found["state"] == "commissioned" else str(found["words"])


def _standing(setup: Setup, last: Record | None, day: datetime.date | None) -> Commissioning:
    from rig.actions.commission.conduct import STEPS
    from rig.config.setup.wired import wired_hash

    if last is None:
        return _words("not commissioned", None, "rig not commissioned")
    if last.wired_hash != wired_hash(setup):
        name = Path(last.setup_name).name
        words = f"wiring changed since the commissioning of {last.date} with {name}"
        return _words("changed", last, words)
    if setup.backend == "board" and last.source != "board":
        words = f"the commissioning of {last.date} was on an {last.source}, not on this board"
        return _words("not commissioned", last, words)
    if last.result != PASSED:
        return _words("not commissioned", last, last.headline.rstrip("."))
    done = {step.id for step in last.steps}
    missing = ", ".join(f'"{step.title}"' for step in STEPS if step.id not in done)
    if missing:
        words = f"the commissioning of {last.date}, by {last.software}, lacks {missing}"
        return _words("not commissioned", last, words)
    if day is None or day > last.due:
        return _words("out of date", last, f"commissioning of {last.date} was due on {last.due}")
    return _words("commissioned", last, f"rig commissioned on {last.date}, due {last.due}")


def _words(state: str, last: Record | None, words: str) -> Commissioning:
    date, due = (None, None) if last is None else (last.date.isoformat(), last.due.isoformat())
    return {"state": state, "date": date, "due": due, "words": words}
