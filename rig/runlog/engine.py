# SPDX-License-Identifier: MIT
"""Connections to the run log, and its errors in plain words.

One writer: every write transaction begins IMMEDIATE, because a read that becomes a write fails at
once with "database is locked", whatever the timeout. synchronous is FULL, so that a commit that
returned survives a power cut; commits are half a second apart, which a card can bear. Readers open
the file read-only and close it after each query: they cannot block the writer for long, keep the
write-ahead log from being checkpointed, or take part in the checkpoint race that SQLite up to
3.51.2 has with two writing connections.
"""

from __future__ import annotations

import contextlib
import os
import re
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool, StaticPool

from rig.core.errors import StorageError
from rig.runlog.tables import metadata

OLDEST_SQLITE = (3, 37, 0)
"""The first version with STRICT tables."""

BUSY_S = 2.0
WAL_LIMIT_BYTES = 16 << 20


class LogBusyError(StorageError):
    """Another program holds the run log's write lock. Worth retrying."""

    id = "refusal.log-busy"


class LogDiskError(StorageError):
    """The disk is full or may not be written: that says nothing about the log itself."""


def sqlite_version() -> str:
    """Version of the SQLite library, as stored with each run."""
    return sqlite3.sqlite_version


def require_sqlite(version: tuple[int, ...] = sqlite3.sqlite_version_info) -> None:
    """Raise StorageError if this Python's SQLite is too old for the run log."""
    if version < OLDEST_SQLITE:
        raise StorageError(
            f"This Python has SQLite {'.'.join(map(str, version))}; the run log needs "
            f"{'.'.join(map(str, OLDEST_SQLITE))} or later. Use the Python of Debian 12 or later."
        )


def sqlite_caution(version: tuple[int, ...] = sqlite3.sqlite_version_info) -> str | None:
    """A caution about this SQLite version; None if there is none.

    Up to 3.51.2, two connections writing at the same moment can, very rarely, damage the file
    (SQLite's release notes: fixed in 3.51.3, and in 3.50.7 and 3.44.6 of the older lines).
    """
    mended_in = {(3, 44): (3, 44, 6), (3, 50): (3, 50, 7)}.get((version[0], version[1]), (3, 51, 3))
    if version >= mended_in:
        return None
    return (
        f"SQLite {'.'.join(map(str, version[:3]))} can, very rarely, damage the run log when two "
        "programs write to it at the same moment (fixed in 3.51.3, 3.50.7 and 3.44.6). The rig "
        "writes from one program at a time; open the log with others for reading only, and keep "
        "copies (`rig backup`)."
    )


def connect(
    path: Path, *, write: bool, foreign_keys: bool = True, busy_s: float = BUSY_S
) -> sqlite3.Connection:
    """Connect to the file at `path` in autocommit mode: transactions are begun explicitly.

    Raises StorageError for a pipe, a device or a folder: SQLite would wait for ever for a pipe.
    """
    if os.path.exists(path) and not os.path.isfile(path):  # noqa: PTH110, PTH113 - may not raise
        raise StorageError(
            f"The run log {path} cannot be used: it is no plain file. Move it away, then start "
            "again; `rig recover` makes a log from the raw files."
        )
    connection = sqlite3.connect(
        f"file:{quote(str(path))}?mode={'rwc' if write else 'ro'}",
        uri=True,
        timeout=busy_s,
        isolation_level=None,
        check_same_thread=False,
    )
    try:
        connection.execute(f"PRAGMA foreign_keys = {'ON' if foreign_keys else 'OFF'}")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(f"PRAGMA journal_size_limit = {WAL_LIMIT_BYTES}")
    except BaseException:
        connection.close()
        raise
    return connection


def open_engine(
    path: Path, *, write: bool, foreign_keys: bool = True, busy_s: float = BUSY_S
) -> Engine:
    """An engine on the file at `path`. With `write` it holds one connection until disposed."""
    engine = create_engine(
        "sqlite+pysqlite://",
        creator=lambda: connect(path, write=write, foreign_keys=foreign_keys, busy_s=busy_s),
        poolclass=StaticPool if write else NullPool,
    )

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")

    return engine


RECOVER = (
    "`rig recover` makes it anew from what can be read of it and from the raw files, and keeps the "
    "damaged one."
)
_REMEDIES: dict[int, tuple[str, str]] = {
    sqlite3.SQLITE_FULL: (
        "the disk is full",
        "Free some space (old raw files may be moved away), then start again.",
    ),
    sqlite3.SQLITE_READONLY: (
        "it or its folder may not be written",
        "Check who owns the folder and whether the disk is mounted read-only.",
    ),
    sqlite3.SQLITE_CANTOPEN: (
        "it cannot be opened",
        "Check that its folder is there and may be read and written by you.",
    ),
    sqlite3.SQLITE_PERM: ("permission is refused", "Check who owns it."),
    sqlite3.SQLITE_IOERR: (
        "the disk failed to read or write",
        "Look at the kernel's messages (dmesg); a worn card or a file size limit does this.",
    ),
    sqlite3.SQLITE_CORRUPT: ("it is damaged", RECOVER),
    sqlite3.SQLITE_NOTADB: (
        "it is not a run log",
        "`rig recover` moves it aside and makes a new one from the raw files.",
    ),
}


NO_ROOM = sqlite3.SQLITE_IOERR_SHMSIZE
"""A reader too needs a little room, for the log's shared memory file beside it."""
OF_THE_DISK = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_READONLY)


def _lost_table(words: str) -> bool:
    """Whether an error means that a table of the log, or one of its columns, is missing."""
    named = re.search(r"no such (?:table|column): (\w+)", words)
    return "malformed" in words or (named is not None and named[1] in metadata.tables)


@contextlib.contextmanager
def plainly(path: Path) -> Iterator[None]:
    """Convert SQLite errors to StorageError (LogBusyError for a lock) with plain words."""
    try:
        yield
    except (DBAPIError, sqlite3.Error) as error:
        cause = error.orig if isinstance(error, DBAPIError) else error
        code = getattr(cause, "sqlite_errorcode", 0) & 0xFF
        if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise LogBusyError(
                f"The run log {path} is locked by another program. "
                "Close what else has it open for writing, then start again."
            ) from error
        ours = code == sqlite3.SQLITE_ERROR and not _lost_table(str(cause))
        if ours or code in (sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_MISUSE):
            raise
        if getattr(cause, "sqlite_errorcode", 0) == NO_ROOM:
            code = sqlite3.SQLITE_FULL
        what, remedy = _REMEDIES.get(code, (f"it cannot be read ({cause})", RECOVER))
        kind = LogDiskError if code in OF_THE_DISK else StorageError
        raise kind(f"The run log {path} cannot be used: {what}. {remedy}") from error
    except UnicodeDecodeError as error:
        raise StorageError(
            f"The run log {path} cannot be used: it is damaged. {RECOVER}"
        ) from error
