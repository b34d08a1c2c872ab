# SPDX-License-Identifier: MIT
"""Repair the run log from the raw files, or rebuild a damaged log.

A log that SQLite finds sound is kept: runs that it lacks, or holds only in part, or whose records
no longer match their checksums, are completed from their raw files. A damaged log is moved aside
unchanged; a new one receives whatever can still be read of it, under the same run numbers, and the
rest from the raw files. Nothing is ever discarded, and a second recovery changes nothing.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from rig.core import state_file
from rig.core.errors import RefusedError, StorageError
from rig.core.kept_file import lock_within
from rig.recorder.raw_file import RawReader
from rig.recorder.restore import close, restore, run_of
from rig.recorder.salvage import Salvage
from rig.recorder.salvage_written import Written
from rig.runlog import copies, schema
from rig.runlog.engine import LogBusyError, LogDiskError, connect, plainly
from rig.runlog.rows import StoredRun
from rig.runlog.store import RunLog

ALL_RUNS = 1 << 31
STAMP = "%Y%m%dT%H%M%SZ"
Say = Callable[[str], None]


def recover(
    log_path: Path, raw_dir: Path, raw_files: Sequence[Path], say: Say, state_dir: Path
) -> int:
    """Recover into the log at `log_path`; returns how many things could not be recovered.

    `raw_files` are the ones to use; none means all in `raw_dir` that hold more than the log, and a
    damaged log is rebuilt. Progress goes to `say`, one line at a time. Raises StorageError if the
    log cannot be opened, RefusedError if a damaged one is in use: `state_dir` shows which rigs are.
    """
    with _alone(log_path):
        return _recover(log_path, raw_dir, raw_files, say, state_dir)


@contextlib.contextmanager
def _alone(log_path: Path) -> Iterator[None]:
    """Lock the log's folder: of two recoveries at once, each would remove or rename the other's new
    log. Raises RefusedError."""
    folder = os.open(log_path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        if not lock_within(folder, 0):
            raise RefusedError(
                f"Another `rig recover` is at work on {log_path}. Wait for its end, then look."
            )
        yield
    finally:
        os.close(folder)


def _recover(
    log_path: Path, raw_dir: Path, raw_files: Sequence[Path], say: Say, state_dir: Path
) -> int:
    damage = damage_of(log_path)
    if raw_files:
        if damage is not None:
            raise StorageError(
                f"{damage} `rig recover` without a file makes it anew from everything there is."
            )
        with RunLog(log_path) as log:
            return sum(_restored(log, path, say) for path in raw_files)
    paths = sorted(raw_dir.glob("*.raw"))
    if damage is not None:
        _refuse_in_use(state_dir)
        return _rebuilt(log_path, paths, damage, say)
    if not log_path.exists() and not paths:
        say(f"There is neither a run log {log_path} nor a raw file in {raw_dir}: nothing to do.")
        return 0
    if not log_path.exists():
        say(f"There is no run log {log_path}: it is made from {len(paths)} raw files.")
    with RunLog(log_path) as log:
        lost = _filled_up(log, paths, say)
    lost += copies.unpack(log_path, say)
    if not lost:
        say(f"The run log {log_path} holds everything that the raw files hold.")
    return lost


def damage_of(log_path: Path) -> StorageError | None:
    """What is wrong with the file itself, indexes included; None if SQLite finds it sound.

    Raises LogBusyError if another program holds it, LogDiskError if its disk is full or
    read-only: a log is not made anew for that.
    """
    if not log_path.exists():
        return None
    try:
        with plainly(log_path), contextlib.closing(connect(log_path, write=False)) as connection:
            schema.require_sound(connection, log_path, full=True)
            schema.require_known(log_path, schema.revision_of(connection))
            schema.require_readable(connection, log_path)
    except (LogBusyError, LogDiskError):
        raise
    except StorageError as error:
        return error
    except (sqlite3.Error, ValueError) as error:
        return StorageError(f"The run log {log_path} cannot be read: {error}.")
    return None


# -- a sound log


def _filled_up(log: RunLog, paths: Sequence[Path], say: Say) -> int:
    """Restore what the raw files hold beyond the log; check each stored record too."""
    for run_id in log.mark_interrupted():
        say(f"Run {run_id} was cut short; it is marked interrupted.")
    lost = 0
    by_run: dict[int, Path] = {}
    for path in paths:
        try:
            known = run_of(log, RawReader(path))
        except StorageError as error:
            say(str(error))
            lost += 1
            continue
        if known is None:
            lost += _restored(log, path, say)
        else:
            by_run[known] = path
    for row in reversed(log.runs(ALL_RUNS)):
        if row.status == "running":
            say(f"Run {row.id} is being recorded now and was left alone.")
        else:
            lost += _checked(log, log.load(row.id), by_run.get(row.id), say)
    return lost


def _checked(log: RunLog, run: StoredRun, raw_path: Path | None, say: Say) -> int:
    """Check a run of the log: its records against their checksums, then against its raw file."""
    good, damaged = log.good_lines(run.id)
    if damaged:  # it is about to be changed
        copy = log.path.with_name(f"{log.path.name}.before-{time.strftime(STAMP, time.gmtime())}")
        if not copy.exists():
            schema.back_up(log.path, copy)
    doubtful = damaged or run.status in ("fault", "interrupted")
    if raw_path is not None and (doubtful or _knows_more(raw_path, run.n_records)):
        lost = _restored(log, raw_path, say, quiet=True)
        if not damaged or log.load(run.id).n_records >= run.n_records:
            return lost
    elif damaged:
        log.replace_records(run.id, good)
        close(log, run.id, good, run.remark, short=True)
    if not damaged:
        return 0
    found = log.load(run.id).n_records
    say(
        f"Run {run.id} is damaged in the run log, and no raw file holds all of it: {found} of "
        f"{run.n_records} records were found anywhere."
    )
    return 1


def _knows_more(path: Path, n_records: int) -> bool:
    """Whether a raw file has, or may have, records missing from a run with `n_records`."""
    reader = RawReader(path)
    n = sum(1 for _ in reader.lines())
    return n > n_records or (reader.damage is not None and not reader.damage.cut)


def _restored(log: RunLog, path: Path, say: Say, *, quiet: bool = False) -> int:
    """Restore one raw file; 1 if that failed or records of it are lost. `quiet`: say nothing if
    there was nothing to add."""
    try:
        done = restore(log, path)
    except (StorageError, RefusedError) as error:
        say(str(error))
        return 1
    if done.added or done.short or not quiet:
        say(f"{done} ({path.name})")
    return int(done.short)


# -- a damaged log


def _refuse_in_use(state_dir: Path) -> None:
    for path in state_file.state_files(state_dir):
        state = None
        with contextlib.suppress(RefusedError):  # a damaged state file names nobody
            state = state_file.read(path)
        owner = None if state is None else state.owner
        if owner is not None and owner.alive():
            raise RefusedError(
                f"The rig {path.stem} is in use by process {owner.pid}, and the run log is damaged."
                " End its run, then start again.",
                id_="refusal.rig-in-use",
            )


def _rebuilt(log_path: Path, paths: Sequence[Path], damage: StorageError, say: Say) -> int:
    say(str(damage))
    stamp = time.strftime(STAMP, time.gmtime())
    new_path = log_path.with_name(f"{log_path.name}.new-{stamp}")
    aside = log_path.with_name(f"{log_path.name}.damaged-{stamp}")
    try:
        with RunLog(new_path) as new:
            salvage = Salvage(log_path)
            written = Written(log_path)
            written.names(new)  # first: valves and jobs keep their numbers
            taken = salvage.take_over(new, say)
            written.rest(new, say)
            lost = salvage.unreadable + _filled_up(new, paths, say)
            salvage.take_orphans(new, say)
            for run_id, expected in taken.items():
                found = new.load(run_id).n_records
                if found < expected:
                    say(f"Run {run_id}: only {found} of {expected} records were found anywhere.")
                    lost += 1
            runs = len(new.runs(ALL_RUNS))
    except BaseException:
        for path in _files_of(new_path):
            path.unlink(missing_ok=True)
        raise
    for old, kept in zip(_files_of(log_path), _files_of(aside), strict=True):
        if old.exists():
            old.rename(kept)
    new_path.rename(log_path)
    lost += copies.unpack(log_path, say)
    say(f"The damaged run log was moved to {aside}; keep it until you have looked at the new one.")
    say(f"The new run log {log_path} holds {runs} runs.")
    return lost


def _files_of(log_path: Path) -> list[Path]:
    """A log's file and the files that exist beside it while it is open."""
    return [log_path.with_name(log_path.name + end) for end in ("", "-wal", "-shm")]
