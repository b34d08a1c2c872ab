# SPDX-License-Identifier: MIT
"""Photos and documents on a run, a valve or a job.

A row holds its description and owner; its content is stored beside the log under its hash, once
however often it was added. A person added it, so a person may delete it for good: unlike a run, it
is no record of the rig.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from sqlalchemy import Column, Connection, delete, func, insert, select, update

from rig.core.errors import StorageError, UsageError
from rig.runlog import kept_files
from rig.runlog.register import JOB, VALVE
from rig.runlog.store import RunLog
from rig.runlog.tables import attachments, jobs, runs, valves

RUN: Final = "run"
OWNERS = {RUN: runs, VALVE: valves, JOB: jobs}
MOST_EACH = 24
"""Limit for one run, valve or job."""
MOST_BYTES = 2_000_000_000
"""Limit for all together: a 16 GB card keeps room for runs."""
MOST_IN_REPORT = 4
LONGEST_WORDS, LONGEST_NAME = 200, 120
PHOTO: Final = "image/jpeg"


class Content(NamedTuple):
    """What is kept of a file, already checked (rig.actions.attach); of a photo, the pixels
    alone."""

    data: bytes
    type: str
    name: str
    width: int | None = None
    height: int | None = None


@dataclass(frozen=True)
class Attachment:
    """One photo or document; `of` and `number` identify what it is attached to."""

    id: int
    of: str
    number: int
    hash: str
    name: str
    type: str
    bytes: int
    width: int | None
    height: int | None
    added_utc_s: float
    by: str
    words: str
    in_report: bool

    @property
    def is_photo(self) -> bool:
        return self.type == PHOTO


def on(log: RunLog, of: str, number: int) -> list[Attachment]:
    """All attachments of one run, valve or job, oldest first."""
    query = select(attachments).where(_owner(of) == number).order_by(attachments.c.id)
    with log._reading() as connection:
        return [_attachment(row) for row in connection.execute(query)]


def one(log: RunLog, number: int) -> Attachment | None:
    """The attachment with this number; None if there is none or no longer one."""
    with log._reading() as connection:
        row = connection.execute(select(attachments).where(attachments.c.id == number)).first()
    return None if row is None else _attachment(row)


def content(log: RunLog, found: Attachment) -> bytes:
    """Its bytes. Raises StorageError if they are gone or differ from those added."""
    path = kept_files.path_of(log.path, found.hash)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise StorageError(
            f"The file {found.name} is not in {path.parent} ({error.strerror}). `rig recover` puts "
            "it there where this log is a copy that carries it; else look in an older copy."
        ) from error
    if kept_files.hash_of(data) != found.hash:
        raise StorageError(
            f"The file {found.name} has changed on the disk since it was added; it is not shown. "
            f"Look for {path.name} in an older copy of {path.parent}."
        )
    return data


def add(log: RunLog, of: str, number: int, given: Content, *, by: str = "", words: str = "") -> int:
    """Add a file to a run, valve or job; returns its number.

    Raises UsageError above a limit, or if there is no such run, valve or job; OSError if the disk
    refuses it. The content is on the disk before the row is.
    """
    content_hash = kept_files.hash_of(given.data)
    path = kept_files.path_of(log.path, content_hash)
    if not path.exists():  # before the transaction: no run waits for it
        kept_files.put(path, given.data)
    try:
        with log._writing() as connection:
            _require_room(connection, of, number, content_hash, len(given.data))
            if not path.exists():  # the last row with this content was removed meanwhile
                kept_files.put(path, given.data)
            made = connection.execute(
                insert(attachments).values(
                    hash=content_hash, name=given.name[:LONGEST_NAME], type=given.type,
                    bytes=len(given.data), width=given.width, height=given.height,
                    added_utc_s=time.time(), by=by.strip()[:LONGEST_WORDS],
                    words=words.strip()[:LONGEST_WORDS], in_report=False,
                    **{_owner(of).name: number},
                )
            )  # fmt: skip
            return int((made.inserted_primary_key or (0,))[0])
    except BaseException:
        with log._writing() as connection:
            _drop_unused(connection, log, content_hash)
        raise


def remove(log: RunLog, number: int) -> None:
    """Delete one for good, with its content if nothing else shares it."""
    with log._writing() as connection:
        found = connection.execute(
            select(attachments.c.hash).where(attachments.c.id == number)
        ).scalar()
        connection.execute(delete(attachments).where(attachments.c.id == number))
        if found is not None:
            _drop_unused(connection, log, found)


def choose(log: RunLog, number: int, *, in_report: bool) -> None:
    """Choose whether a run's report prints this photo. Raises UsageError above MOST_IN_REPORT and
    for anything that is not a photo of a run."""
    with log._writing() as connection:
        row = connection.execute(select(attachments).where(attachments.c.id == number)).first()
        if row is None or row.type != PHOTO or row.run_id is None:
            raise UsageError("Only a photo on a run is printed with its report.")
        chosen = connection.execute(
            select(func.count()).where(
                attachments.c.run_id == row.run_id,
                attachments.c.in_report == 1,
                attachments.c.id != number,
            )
        ).scalar_one()
        if in_report and chosen >= MOST_IN_REPORT:
            raise UsageError(
                f"A report has at most {MOST_IN_REPORT} photos. Take another out of it first."
            )
        connection.execute(
            update(attachments).where(attachments.c.id == number).values(in_report=in_report)
        )


def _require_room(
    connection: Connection, of: str, number: int, content_hash: str, size: int
) -> None:
    owner = OWNERS[of]
    if connection.execute(select(owner.c.id).where(owner.c.id == number)).scalar() is None:
        raise UsageError(f"There is no {of} {number} in the log.")
    mine = select(func.count()).where(_owner(of) == number)
    if connection.execute(mine).scalar_one() >= MOST_EACH:
        raise UsageError(
            f"This {of} has {MOST_EACH} files, the most there may be: remove one first."
        )
    again = select(attachments.c.name).where(
        _owner(of) == number, attachments.c.hash == content_hash
    )
    there = connection.execute(again).scalar()
    if there is not None:
        raise UsageError(f"This {of} has this very file already: {there}.")
    each = select(func.max(attachments.c.bytes).label("bytes")).group_by(attachments.c.hash)
    kept = connection.execute(select(func.sum(each.subquery().c.bytes))).scalar() or 0
    if kept + size > MOST_BYTES:
        raise UsageError(
            f"All files together would be {(kept + size) / 1e6:.0f} MB; {MOST_BYTES / 1e6:.0f} MB "
            "are the most. Remove some that are no longer needed."
        )


def _drop_unused(connection: Connection, log: RunLog, content_hash: str) -> None:
    used = select(func.count()).where(attachments.c.hash == content_hash)
    if not connection.execute(used).scalar_one():
        kept_files.path_of(log.path, content_hash).unlink(missing_ok=True)


def _owner(of: str) -> Column[int | None]:
    return {RUN: attachments.c.run_id, VALVE: attachments.c.valve_id, JOB: attachments.c.job_id}[of]


def _attachment(row: Any) -> Attachment:
    of = next(of for of in OWNERS if getattr(row, f"{of}_id") is not None)
    return Attachment(
        row.id, of, getattr(row, f"{of}_id"), row.hash, row.name, row.type, row.bytes, row.width,
        row.height, row.added_utc_s, row.by, row.words, bool(row.in_report),
    )  # fmt: skip
