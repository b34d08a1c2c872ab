# SPDX-License-Identifier: MIT
"""A batch: valves to be tested one after the other.

The list is a small file beside the run log; each valve's outcome is in the log alone.
"""

from __future__ import annotations

import contextlib
import re
import threading
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, NamedTuple

from pydantic import Field, ValidationError

from rig.config.strict import Strict
from rig.core.atomic_file import whole_file
from rig.core.errors import RigError, StorageError, UsageError
from rig.runlog import register
from rig.runlog.batch import Outcome, newest_number, outcomes
from rig.runlog.schema import NoLogError
from rig.runlog.store import RunLog
from webui.live.files import SETUP_END, SHEET_END
from webui.live.next_run import next_tag

FILE = "batch.json"
ENDED_FILES = ("batch-ended.json", *(f"batch-ended-{n}.json" for n in range(2, 6)))
"""The lists put away, the last one first; each can be resumed."""
MOST = 500
"""Valves of one batch."""
TAGS_MOST = 40_000
"""Characters of a list as it is typed or pasted."""
SAID_MOST = 12
"""Problems of one list that are reported."""
_keeping = threading.Lock()


class Batch(Strict):
    """The tags in order. Runs up to number `after_run` were made before the batch and do not count;
    a run number is never reused, whatever the clock says. Runs with another setup or sheet than
    these do not count either, if these are named."""

    tags: Annotated[tuple[str, ...], Field(strict=False, min_length=1, max_length=MOST)]
    after_run: Annotated[int, Field(ge=0, le=2**63 - 1)]  # an INTEGER of SQLite
    setup: str = ""
    sheet: str = ""

    def other(self, setup_file: str, sheet_file: str | None) -> str:
        """Which of the run's files differ by name from the batch's; else empty."""
        for word, ours, file, ending in (
            ("sheet", self.sheet, sheet_file or "", SHEET_END),
            ("setup", self.setup, setup_file, SETUP_END),
        ):
            # files of the same name from two folders are told apart on the page by a trailing _
            if ours and ours.rstrip("_") != file.removesuffix(ending).rstrip("_"):
                return word
        return ""


class Row(NamedTuple):
    """A valve of the batch and its newest run in it; None before there is one."""

    tag: str
    outcome: Outcome | None

    @property
    def done(self) -> bool:
        """Whether it was tested to the end of the sheet."""
        return self.outcome is not None and self.outcome.done


class Seen(NamedTuple):
    """A batch and its progress. `next_tag` is the next valve to test, or empty."""

    rows: list[Row]
    next_tag: str
    setup: str = ""
    sheet: str = ""

    @property
    def done(self) -> int:
        """How many valves have been tested."""
        return sum(row.done for row in self.rows)

    @property
    def left(self) -> int:
        """How many are left."""
        return len(self.rows) - self.done

    @property
    def verdicts(self) -> dict[str, int]:
        """How many of the tested valves got which verdict; "none" means without a result."""
        found: dict[str, int] = {}
        for row in self.rows:
            if row.outcome is not None and row.done:
                verdict = row.outcome.verdict or "none"
                found[verdict] = found.get(verdict, 0) + 1
        return found


def path_of(log_path: Path) -> Path:
    """Path of this run log's batch."""
    return log_path.with_name(FILE)


def load(path: Path) -> Batch | None:
    """The batch; None if there is none. Raises StorageError for an unreadable file."""
    try:
        return Batch.model_validate_json(path.read_bytes())
    except FileNotFoundError:
        return None
    except (OSError, ValidationError, ValueError) as error:
        raise StorageError(
            f"The batch list {path} cannot be read. End the batch below and make its list again; "
            "the runs are in the log."
        ) from error


def seen(batch: Batch, log_path: Path, before: str | None, *, again: bool = False) -> Seen:
    """The batch's progress. The next valve is the first not done, counted from the one behind
    `before` (the valve last at the rig; with `again` from itself) and then from the start."""
    try:
        with RunLog.reading(log_path) as log:
            found = outcomes(log, batch.tags, batch.after_run, batch.other)
    except NoLogError:
        found = {}
    rows = [Row(tag, found.get(tag)) for tag in batch.tags]
    first = batch.tags.index(before) + (not again) if before in batch.tags else 0
    in_order = [*rows[first:], *rows[:first]]
    following = next((row.tag for row in in_order if not row.done), "")
    return Seen(rows, following, batch.setup, batch.sheet)


def tags_of(text: str, first: str, count: str) -> list[str]:
    """The tags typed or pasted, one a line or separated by commas, tabs or semicolons, each once;
    then `count` tags counting up from `first`. Raises UsageError with every problem."""
    wrong: list[str] = []
    found = _typed(text)
    if first or count:
        found += _counted(first, count, wrong)
    tags = list(dict.fromkeys(found))
    for tag in tags:
        wrong += [f'"{tag:.40}": {line}' for line in register.problems(register.VALVE, tag, "", "")]
    if len(text) > TAGS_MOST or len(tags) > MOST:
        wrong.append(f"The list is too long: {MOST} valves at most. Make two batches.")
    if not tags and not wrong:
        wrong.append("No tag was given. Type or paste some, or give the first one and how many.")
    if wrong:
        more = len(wrong) - SAID_MOST
        told = [*wrong[:SAID_MOST], *([f"And {more} more."] if more > 0 else [])]
        raise UsageError("\n".join(told))
    return tags


def _counted(first: str, count: str, wrong: list[str]) -> list[str]:
    if not first:
        wrong.append("How many was given without the first tag to count from. Give both.")
        return []
    if not re.fullmatch(r"[1-9][0-9]{0,2}", count) or int(count) > MOST:
        wrong.append(f"How many: give a whole number from 1 to {MOST}.")
        return []
    found = [first]
    while len(found) < int(count):
        following = next_tag(found[-1])
        if not following:
            wrong.append(f'"{first:.40}" does not end in a number, so nothing counts on from it.')
            return []
        found.append(following)
    return found


def keep(log_path: Path, tags: Sequence[str], setup: str = "", sheet: str = "") -> None:
    """Save the list and what its valves are tested with; runs already made in a batch under way
    still count. Raises StorageError if the disk refuses."""
    path = path_of(log_path)
    with _keeping:
        try:
            after = _begun_after(path, log_path)
            batch = Batch(tags=tuple(tags), after_run=after, setup=setup, sheet=sheet)
            with whole_file(path, lasting=True) as file:
                file.write(batch.model_dump_json(indent=1))
        except OSError as error:
            raise StorageError(f"The list was not kept: {path}: {error.strerror}.") from error


def _begun_after(path: Path, log_path: Path) -> int:
    try:
        under_way = load(path)
    except StorageError:
        under_way = None
    if under_way is not None:
        return under_way.after_run
    try:
        with RunLog.reading(log_path) as log:
            return newest_number(log)
    except NoLogError:
        return 0


def end(log_path: Path) -> None:
    """Put the list away; the runs stay in the log. Of more than five put away the oldest goes.
    Raises StorageError if the disk refuses."""
    path, places = path_of(log_path), [log_path.with_name(name) for name in ENDED_FILES]
    with _keeping, _told("The batch was not ended"):
        if not path.exists():
            return
        free = next((n for n, place in enumerate(places) if not place.exists()), len(places) - 1)
        for n in range(free, 0, -1):
            places[n - 1].replace(places[n])
        path.replace(places[0])


def take_up(log_path: Path, name: str = ENDED_FILES[0]) -> None:
    """Resume one of the lists put away, the last one by default, with its progress. Raises
    StorageError."""
    with _keeping, _told("The list was not taken up"):
        if load(path_of(log_path)) is not None:
            raise StorageError("A batch is under way. End it first.")
        if name in ENDED_FILES and log_path.with_name(name).exists():
            log_path.with_name(name).replace(path_of(log_path))


@contextlib.contextmanager
def _told(failed: str) -> Iterator[None]:
    try:
        yield
    except StorageError:  # in words already
        raise
    except OSError as error:
        raise StorageError(f"{failed}: {error}.") from error


def ended(log_path: Path) -> dict[str, str]:
    """The lists put away, by file name, the last one first: their valves in words."""
    found = {}
    for name in ENDED_FILES:
        with contextlib.suppress(StorageError):
            if (batch := load(log_path.with_name(name))) is not None:
                tags, n = batch.tags, len(batch.tags)
                found[name] = tags[0] if n == 1 else f"{tags[0]} to {tags[-1]}, {n} valves"
    return found


def twice(text: str) -> list[str]:
    """Tags typed more than once: two valves would be tested under one name."""
    counts = Counter(_typed(text))
    return [tag for tag, n in counts.items() if n > 1]


def _typed(text: str) -> list[str]:
    found = (one.strip() for one in re.split(r"[\r\n,;\t]+", text[:TAGS_MOST]))
    return [one for one in found if one]


def now(log_path: Path, before: str | None, *, again: bool = False) -> tuple[Seen | None, str]:
    """The batch as the bench shows it, and why it cannot be shown; both empty without a batch."""
    try:
        batch = load(path_of(log_path))
        return (None if batch is None else seen(batch, log_path, before, again=again)), ""
    except RigError as error:
        return None, str(error)
