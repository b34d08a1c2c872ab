# SPDX-License-Identifier: MIT
"""A copy of the run log as one file that includes the files beside the log."""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from rig.core.atomic_file import sync_folder, whole_file
from rig.core.errors import StorageError
from rig.runlog import kept_files, schema
from rig.runlog.engine import connect, plainly

LAST = "last-backup.json"
YEAR_10000_UTC_S = 253_402_300_800


class LastBackup(NamedTuple):
    """The newest copy made of a log: when, where, its size, the number of its last run (None:
    unknown), and whether it is on the log's own disk."""

    utc_s: float
    where: str
    bytes: int
    last_run: int | None = None
    same_disk: bool = False


def back_up(path: Path, target: Path) -> None:
    """Copy the log at `path` to `target` atomically, checked, with the files beside it.

    May be done during a run. A log of an older form is copied as it is, without the files. Raises
    StorageError; an existing file of that name is never replaced.
    """
    if target.exists():
        raise StorageError(
            f"{target} is there already and is not replaced; nothing was written. "
            "Remedy: choose another name."
        )
    if not target.parent.is_dir():
        raise StorageError(
            f"There is no folder {target.parent}; nothing was written. "
            "Remedy: make it, or choose another."
        )
    part = target.with_name(f".{target.name}.part")
    part.unlink(missing_ok=True)  # left by an interrupted copy
    try:
        schema.back_up(path, part)
        with contextlib.closing(sqlite3.connect(part)) as copy:
            if schema.revision_of(copy) == schema.REVISIONS[-1]:
                with copy:
                    _take_along(copy, path)
        with part.open("rb") as file:
            os.fsync(file.fileno())
        try:
            os.link(part, target)  # never replaces
        except FileExistsError:
            raise
        except OSError:  # a file system without links, as on most memory sticks
            if target.exists():
                raise FileExistsError(target) from None
            part.rename(target)
        with contextlib.suppress(OSError):  # not every file system can
            sync_folder(target.parent)
    except (sqlite3.Error, OSError) as error:
        # what schema.back_up says of the unfinished file is said of the target here
        cause = error.__cause__ if isinstance(error, StorageError) else error
        why = getattr(cause, "strerror", None) or cause or error
        raise StorageError(
            f"The run log {path} could not be copied to {target} ({why}); "
            "nothing was changed. Free some space or choose another name, then start again."
        ) from error
    finally:
        part.unlink(missing_ok=True)


def _take_along(copy: sqlite3.Connection, path: Path) -> None:
    for name in kept_files.beside(path):
        data = (path.parent / name).read_bytes()
        copy.execute(
            "INSERT OR REPLACE INTO carried_files VALUES (?, ?, ?)",
            (name, kept_files.hash_of(data), data),
        )


def unpack(path: Path, say: Callable[[str], None]) -> int:
    """Put the files contained in a copy beside the log at `path`, once the copy has replaced a log;
    returns how many failed. An existing file is never replaced."""
    lost = 0
    with plainly(path), contextlib.closing(connect(path, write=True)) as log:
        if schema.revision_of(log) != schema.REVISIONS[-1]:
            return 0
        names = [row[0] for row in log.execute("SELECT name FROM carried_files ORDER BY name")]
        for name in names:
            lost += _put_out(log, path, name, say)
    if names:
        n = len(names) - lost
        say(f"{n} {'file' if n == 1 else 'files'} that the copy carried lie beside the log again.")
    return lost


def _put_out(log: sqlite3.Connection, path: Path, name: str, say: Callable[[str], None]) -> int:
    found, data = log.execute(
        "SELECT sha256, data FROM carried_files WHERE name = ?", (name,)
    ).fetchone()
    if not kept_files.is_one(name) or kept_files.hash_of(data) != found:
        say(f"The file {name[:200]!r} that the copy carried is damaged; it stays inside the log.")
        return 1
    target = path.parent / name
    if target.exists() and kept_files.hash_of(target.read_bytes()) != found:
        other = target.with_name(f"{target.name}.from-copy")
        kept_files.put(other, data)
        say(f"{target} is another than the copy's and stays; the copy's is {other.name}.")
    elif not target.exists():
        kept_files.put(target, data)
    log.execute("DELETE FROM carried_files WHERE name = ?", (name,))
    return 0


def size_beside(path: Path) -> int:
    """Bytes of the log and the files beside it: about the size of a copy."""
    names = [path.name, f"{path.name}-wal", *kept_files.beside(path)]
    found = 0
    for name in names:
        with contextlib.suppress(OSError):
            found += (path.parent / name).stat().st_size
    return found


def note(path: Path, where: str, size: int, copied: Path | None = None) -> None:
    """Note that the log at `path` was copied; `copied` is the copy, to be inspected. Never raises:
    the copy matters, not this note."""
    with contextlib.suppress(OSError):
        made = LastBackup(time.time(), where, size)
        if copied is not None:
            same = where == str(copied) and copied.stat().st_dev == path.stat().st_dev
            made = made._replace(last_run=_last_run(copied), same_disk=same)
        with whole_file(path.parent / LAST) as file:
            json.dump(made._asdict(), file)


def _last_run(copied: Path) -> int | None:
    """The number of the newest run in a copy, 0 if it has none; None if unknown."""
    try:
        with contextlib.closing(sqlite3.connect(copied)) as copy:
            return int(copy.execute("SELECT max(id) FROM runs").fetchone()[0] or 0)
    except sqlite3.Error:
        return None


def last(path: Path) -> LastBackup | None:
    """The newest copy of the log at `path`; None if none is known."""
    try:
        found = json.loads((path.parent / LAST).read_text(encoding="utf-8"))
        run = found.get("last_run")  # missing in a note of an earlier program
        utc_s = float(found["utc_s"])
        if not 0 <= utc_s < YEAR_10000_UTC_S:
            return None
        return LastBackup(
            utc_s, str(found["where"]), int(found["bytes"]),
            None if run is None else int(run), bool(found.get("same_disk")),
        )  # fmt: skip
    except (OSError, ValueError, LookupError, TypeError, AttributeError, OverflowError):
        return None
