# SPDX-License-Identifier: MIT
"""What a person adds to a run afterwards: tags, notes, and removing it from the list.

Nothing recorded changes and nothing is deleted: a run removed from the list can be put back. Each
change is one short transaction, so that a run being recorded never waits.
"""

from __future__ import annotations

import re
import time
from collections.abc import Sequence
from typing import NamedTuple

from sqlalchemy import delete, insert, select, update

from rig.core.errors import UsageError
from rig.runlog.store import RunLog
from rig.runlog.tables import notes, runs, tags

LONGEST_TAG, LONGEST_NOTE, LONGEST_NAME = 40, 4000, 200
TAGS_MOST = 20
_TAG = re.compile(r"[^\x00-\x1f,]+")


class Note(NamedTuple):
    """A note as written; `by` may be empty."""

    written_utc_s: float
    by: str
    text: str


def add_tag(log: RunLog, run_id: int, tag: str) -> None:
    """Add a tag. Raises UsageError for an invalid tag, or if there is no such run."""
    tag = " ".join(tag.split())
    if not tag or len(tag) > LONGEST_TAG or not _TAG.fullmatch(tag):
        raise UsageError(
            f"A tag has 1 to {LONGEST_TAG} characters and no comma; this one does not."
        )
    with log._writing() as connection:
        _require(log, connection, run_id)
        there = list(
            connection.execute(select(tags.c.tag).where(tags.c.run_id == run_id)).scalars()
        )
        if tag in there:
            return
        if len(there) >= TAGS_MOST:
            raise UsageError(f"A run has at most {TAGS_MOST} tags; take one off first.")
        connection.execute(insert(tags).values(run_id=run_id, tag=tag))


def remove_tag(log: RunLog, run_id: int, tag: str) -> None:
    """Remove a tag; a missing one is no fault."""
    with log._writing() as connection:
        connection.execute(delete(tags).where(tags.c.run_id == run_id, tags.c.tag == tag))


def add_note(log: RunLog, run_id: int, text: str, by: str = "") -> None:
    """Add a note. Raises UsageError if it is empty or very long, or there is no such run."""
    text = text.strip()
    if not text or len(text) > LONGEST_NOTE:
        raise UsageError(f"A note has 1 to {LONGEST_NOTE} characters.")
    with log._writing() as connection:
        _require(log, connection, run_id)
        connection.execute(
            insert(notes).values(
                run_id=run_id, written_utc_s=time.time(), by=by.strip()[:LONGEST_NAME], text=text
            )
        )


def of_run(log: RunLog, run_id: int) -> tuple[list[str], list[Note], float | None]:
    """Tags, notes, and when the run was removed from the list (None: it was not)."""
    with log._reading() as connection:
        tagged = select(tags.c.tag).where(tags.c.run_id == run_id).order_by(tags.c.tag)
        written = select(notes.c.written_utc_s, notes.c.by, notes.c.text).where(
            notes.c.run_id == run_id
        )
        removed = select(runs.c.removed_utc_s).where(runs.c.id == run_id)
        return (
            list(connection.execute(tagged).scalars()),
            [Note(*row) for row in connection.execute(written.order_by(notes.c.id))],
            connection.execute(removed).scalar(),
        )


def remove(log: RunLog, numbers: Sequence[int]) -> int:
    """Remove runs from the list; returns how many were on it. A run still in progress stays."""
    with log._writing() as connection:
        done = connection.execute(
            update(runs)
            .where(runs.c.id.in_(numbers), runs.c.removed_utc_s.is_(None))
            .where(runs.c.status != "running")
            .values(removed_utc_s=time.time())
        )
        return done.rowcount


def set_removed(log: RunLog, number: int, removed_utc_s: float | None) -> None:
    """Store when a run copied from another log was removed from the list; None: it is on it."""
    with log._writing() as connection:
        connection.execute(
            update(runs).where(runs.c.id == number).values(removed_utc_s=removed_utc_s)
        )


def restore(log: RunLog, numbers: Sequence[int]) -> int:
    """Put runs back on the list; returns how many were off it."""
    with log._writing() as connection:
        done = connection.execute(
            update(runs)
            .where(runs.c.id.in_(numbers), runs.c.removed_utc_s.is_not(None))
            .values(removed_utc_s=None)
        )
        return done.rowcount


def _require(log: RunLog, connection: object, run_id: int) -> None:
    found = connection.execute(select(runs.c.id).where(runs.c.id == run_id)).scalar()  # type: ignore[attr-defined]
    if found is None:
        raise UsageError(f"There is no run {run_id} in the log {log.path}.")
