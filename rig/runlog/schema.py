# SPDX-License-Identifier: MIT
"""The run log's form: create it, upgrade it, or refuse it.

Plain SQL reads which form a file has and creates a new one, without Alembic (a third of a second to
import on a PC), which is loaded only when there is something to change. An upgrade is one
transaction, with foreign keys off on its connection: with them on, rebuilding a parent table
deletes its children's rows. A log that holds something is copied before it is changed.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import time
from pathlib import Path

from sqlalchemy import Connection

from rig.core.errors import StorageError
from rig.runlog.engine import connect, open_engine, plainly, require_sqlite
from rig.runlog.tables import metadata

REVISIONS = ("0001", "0002", "0003", "0004", "0005")
"""Every form so far, oldest first. A test compares it with the migrations."""

VERSION_TABLE = """CREATE TABLE alembic_version (
version_num VARCHAR(32) NOT NULL,
CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
)"""
"""As created by Alembic."""

MIGRATIONS = Path(__file__).parent / "migrations"
LATEST_UTC_S = 1e11
"""No run starts later than this (the year 5138): its row is damaged."""
QUICK_CHECK_BYTES = 16 << 20
"""A log up to this size is checked each time it is opened for writing (some ten milliseconds)."""


class NoLogError(StorageError):
    """There is no run log yet."""

    id = "refusal.no-log"


class LostLogError(StorageError):
    """There is no run in the log, but there are raw files beside it."""

    id = "refusal.lost-log"


class OldLogError(StorageError):
    """The run log has the form of an older program; opening it for writing upgrades it."""

    id = "refusal.old-log"


def revision_of(connection: sqlite3.Connection) -> str | None:
    """The form of the log behind `connection`; None if it has no tables yet."""
    tables = "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'alembic_version'"
    if connection.execute(tables).fetchone() is None:
        return None
    row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    return None if row is None else str(row[0])


def require_current(path: Path) -> None:
    """Raise NoLogError, OldLogError or StorageError unless `path` is a log of today's form."""
    require_sqlite()
    if not path.exists():
        _refuse_lost(path, "is not there")
        raise NoLogError(f"There is no run log at {path} yet; `rig run` makes it.")
    with plainly(path), contextlib.closing(connect(path, write=False)) as connection:
        found = revision_of(connection)
        known = found in REVISIONS
        empty = not known or connection.execute("SELECT 1 FROM runs LIMIT 1").fetchone() is None
    require_known(path, found)
    if empty:
        _refuse_lost(path, "holds no run")
    if found != REVISIONS[-1]:
        raise OldLogError(f"The run log {path} is of an older program's form and not yet upgraded.")


def _refuse_lost(path: Path, what: str) -> None:
    """Raise LostLogError if raw files of runs are beside a log without any runs."""
    kept = sum(1 for _ in (path.parent / "raw").glob("*.raw"))
    if kept:
        raise LostLogError(
            f"The run log {path} {what}, but {kept} raw {'file' if kept == 1 else 'files'} of runs "
            f"{'lies' if kept == 1 else 'lie'} beside it. `rig recover` makes the log from them."
        )


def require_known(path: Path, found: str | None) -> None:
    """Raise StorageError for a form unknown to this program."""
    if found is not None and found not in REVISIONS:
        raise StorageError(
            f"The run log {path} was written by a newer version of this program "
            f"(its form is {found}, this program knows up to {REVISIONS[-1]}). "
            "Nothing was changed. Update this program, or point RIG_DATA at another folder."
        )


def prepare(path: Path, busy_s: float) -> None:
    """Create the log at `path`, or upgrade it if needed.

    Raises StorageError: newer form, damaged, full disk, no permission; LogBusyError: locked.
    """
    require_sqlite()
    if not path.parent.is_dir():
        raise StorageError(f"The folder {path.parent} of the run log is not there. Make it.")
    with plainly(path):
        with contextlib.closing(connect(path, write=True, busy_s=busy_s)) as connection:
            found = revision_of(connection)
            require_known(path, found)
            _write_ahead(connection, path, busy_s)
            if path.stat().st_size <= QUICK_CHECK_BYTES:
                require_sound(connection, path)
        if found != REVISIONS[-1]:
            upgrade(path, busy_s=busy_s)


def _write_ahead(connection: sqlite3.Connection, path: Path, busy_s: float) -> None:
    """Switch to write-ahead logging; SQLite does not wait for a lock in this change."""
    deadline = time.monotonic() + busy_s
    while True:
        try:
            mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
            break
        except sqlite3.OperationalError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.02)
    if mode != "wal":
        raise StorageError(
            f"The disk of the run log {path} cannot do write-ahead logging (a network share?). "
            "Point RIG_DATA at a folder on a local disk."
        )


def require_sound(connection: sqlite3.Connection, path: Path, *, full: bool = False) -> None:
    """Raise StorageError if SQLite finds damage; `full` also compares indexes with tables."""
    pragma = "integrity_check" if full else "quick_check"
    found = [row[0] for row in connection.execute(f"PRAGMA {pragma}(3)")]
    if found != ["ok"]:
        raise StorageError(
            f"The run log {path} is damaged: {'; '.join(found)}. `rig recover` makes it anew from "
            "what can be read of it and from the raw files, and keeps the damaged one."
        )


def require_readable(connection: sqlite3.Connection, path: Path) -> None:
    """Raise StorageError if a row of a run cannot be read: SQLite's own checks do not see a changed
    byte in a page. The records have checksums of their own."""
    damaged = StorageError(
        f"The run log {path} is damaged: rows of it cannot be read. `rig recover` makes it anew "
        "from what can be read of it and from the raw files, and keeps the damaged one."
    )
    try:
        for (text,) in connection.execute(
            "SELECT hardware FROM runs UNION ALL SELECT watched FROM runs "
            "UNION ALL SELECT not_watched FROM runs UNION ALL SELECT json FROM results"
        ):
            json.loads(text)
        undated = f"SELECT 1 FROM runs WHERE wall_utc_s NOT BETWEEN 0 AND {LATEST_UTC_S}"  # noqa: S608
        broken = connection.execute("PRAGMA foreign_key_check").fetchone()
        if broken is not None or connection.execute(undated).fetchone() is not None:
            raise damaged
        for table in (
            "runs",
            "texts",
            "valves",
            "jobs",
            "conditions",
            "tags",
            "notes",
            "attachments",
        ):
            connection.execute(f"SELECT * FROM {table}").fetchall()  # noqa: S608 - our own names
    except (sqlite3.Error, ValueError, TypeError, RecursionError) as error:
        raise damaged from error


def upgrade(path: Path, target: str = "head", *, extra: str = "", busy_s: float = 2.0) -> None:
    """Upgrade the log at `path` to the form `target`, all or nothing.

    `extra` is one more folder with migrations. Raises StorageError if rows would lose their parent,
    LogBusyError if another program is writing.
    """
    with plainly(path):
        engine = open_engine(path, write=True, foreign_keys=False, busy_s=busy_s)
        try:
            with engine.begin() as connection:
                _upgrade(connection, path, target, extra)
        finally:
            engine.dispose()


def _upgrade(connection: Connection, path: Path, target: str, extra: str) -> None:
    plain = connection.connection.driver_connection
    if not isinstance(plain, sqlite3.Connection):
        raise StorageError("Only an SQLite run log can be upgraded by itself.")
    found = revision_of(plain)  # again, now under the lock: another program may have done it
    require_known(path, found)
    if target == "head" and not extra and found == REVISIONS[-1]:
        return
    if target == "head" and not extra and found is None:
        _make(connection)
        return
    if found is not None:
        back_up(path, path.with_name(f"{path.name}.before-{_stamp()}"))
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    if extra:
        config.set_main_option("path_separator", "newline")
        folders = f"{MIGRATIONS / 'versions'}\n{extra}"
        config.set_main_option("version_locations", folders.replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, target)
    orphans = plain.execute("PRAGMA foreign_key_check").fetchall()
    if orphans:
        raise StorageError(
            f"Upgrading the run log {path} would leave {len(orphans)} rows of "
            f"{orphans[0][0]} without their parent; nothing was changed. Please report this."
        )


def _make(connection: Connection) -> None:
    """Create the tables of a new log, identical to those the migrations produce (held by a test).

    Alembic takes 12 MB, which the recorder that creates the first log would hold for its whole run.
    """
    metadata.create_all(connection, checkfirst=False)
    connection.exec_driver_sql(VERSION_TABLE)
    connection.exec_driver_sql("INSERT INTO alembic_version VALUES (?)", (REVISIONS[-1],))


def _stamp() -> str:
    return time.strftime("%Y%m%dT%H%M%SZ", time.gmtime())


def back_up(path: Path, target: Path) -> None:
    """Copy the current log to `target`, including what is not yet checkpointed, and check the copy.

    May be done during a run. Raises StorageError; an existing file of that name is never replaced.
    """
    made = False
    try:
        target.touch(exist_ok=False)
        made = True
        with (
            contextlib.closing(connect(path, write=False)) as source,
            contextlib.closing(sqlite3.connect(target)) as copy,
        ):
            source.backup(copy)
            require_sound(copy, target, full=True)
    except (sqlite3.Error, OSError) as error:
        if made:
            target.unlink(missing_ok=True)
        raise StorageError(
            f"The run log {path} could not be copied to {target} ({error}); "
            "nothing was changed. Free some space or choose another name, then start again."
        ) from error
