# SPDX-License-Identifier: MIT
"""The run log made whole again from the raw files, and a damaged log made anew.

A log that SQLite finds sound is kept: runs that it lacks, or holds only in part, or whose records
no longer fit their checksums, are filled up from their raw files. A damaged log is left as it is
and moved aside; a new one takes over what can still be read of it, under the same run numbers, and
the rest from the raw files. Nothing is ever thrown away, and doing it twice changes nothing.
"""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from sqlalchemy.exc import SQLAlchemyError

from rig.core import state_file
from rig.core.errors import RefusedError, RigError, StorageError
from rig.recorder.raw_file import RawReader
from rig.recorder.restore import restore
from rig.runlog import schema
from rig.runlog.engine import LogBusyError, connect, plainly
from rig.runlog.rows import StoredRun
from rig.runlog.store import RunLog

ALL_RUNS = 1 << 31
COPY_BYTES = 256 << 10
Say = Callable[[str], None]


def recover(
    log_path: Path, raw_dir: Path, raw_files: Sequence[Path], say: Say, state_dir: Path
) -> int:
    """Recover into the log at `log_path`; returns how many things could not be recovered.

    `raw_files` are the ones to take; none means all in `raw_dir` that hold more than the log, and
    a damaged log made anew. What is done is told to `say`, a line at a time. Raises StorageError
    where the log cannot be opened, RefusedError where a damaged one is in use: `state_dir` says
    which rigs are.
    """
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
    if not lost:
        say(f"The run log {log_path} holds everything that the raw files hold.")
    return lost


def damage_of(log_path: Path) -> StorageError | None:
    """What is wrong with the file itself, indexes compared too; None where SQLite finds it sound.

    Raises LogBusyError where another program holds it.
    """
    if not log_path.exists():
        return None
    try:
        with plainly(log_path), contextlib.closing(connect(log_path, write=False)) as connection:
            schema.require_sound(connection, log_path, full=True)
            schema.revision_of(connection)
    except LogBusyError:
        raise
    except StorageError as error:
        return error
    except sqlite3.Error as error:
        return StorageError(f"The run log {log_path} cannot be read: {error}.")
    return None


# -- a sound log


def _filled_up(log: RunLog, paths: Sequence[Path], say: Say) -> int:
    """Restore what the raw files hold more than the log; look at each stored record too."""
    for run_id in log.mark_interrupted():
        say(f"Run {run_id} was cut short; it is marked interrupted.")
    lost = 0
    by_run: dict[int, Path] = {}
    for path in paths:
        try:
            known = log.uid_of(RawReader(path).header.uid)
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
    """A run of the log: its records held against their checksums, then against its raw file."""
    good_chunks, good_records, damage = _readable(run)
    if damage is not None:
        if raw_path is None:
            say(f"{damage} That file is not there: {good_records} records before it can be read.")
            return 1
        if sum(1 for _ in RawReader(raw_path).lines()) < run.n_records:
            say(f"{damage} But its raw file is damaged too, or shorter; nothing was changed.")
            return 1
        log.cut(run.id, good_chunks + 1)
    if raw_path is None or (damage is None and _line_count(raw_path) - 1 <= run.n_records):
        return 0
    return _restored(log, raw_path, say)


def _readable(run: StoredRun) -> tuple[int, int, StorageError | None]:
    """Chunks and records of a run up to the first that is damaged, and that damage."""
    n_chunks = n_records = 0
    try:
        for text in run.chunks():
            n_chunks, n_records = n_chunks + 1, n_records + text.count(b"\n")
    except StorageError as error:
        return n_chunks, n_records, error
    return n_chunks, n_records, None


def _line_count(path: Path) -> int:
    with path.open("rb") as file:
        return sum(block.count(b"\n") for block in iter(lambda: file.read(1 << 20), b""))


def _restored(log: RunLog, path: Path, say: Say) -> int:
    """Restore one raw file; 1 where that could not be done, or its file is damaged inside."""
    try:
        done = restore(log, path)
    except (StorageError, RefusedError) as error:
        say(str(error))
        return 1
    say(f"{done} ({path.name})")
    return int(done.damage is not None and not done.damage.cut)


# -- a damaged log


def _refuse_in_use(state_dir: Path) -> None:
    for path in sorted(state_dir.glob("*.json")):
        state = None
        with contextlib.suppress(RefusedError):  # a damaged state names nobody
            state = state_file.read(path)
        owner = None if state is None else state.owner
        if owner is not None and owner.alive():
            raise RefusedError(
                f"The rig {path.stem} is in use by process {owner.pid}, and the run log is damaged."
                " End its run, then start again."
            )


def _rebuilt(log_path: Path, paths: Sequence[Path], damage: StorageError, say: Say) -> int:
    say(str(damage))
    stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime())
    new_path = log_path.with_name(f"{log_path.name}.new-{stamp}")
    aside = log_path.with_name(f"{log_path.name}.damaged-{stamp}")
    try:
        with RunLog(new_path) as new:
            not_whole, unreadable = _taken_over(log_path, new, say)
            lost = unreadable + _filled_up(new, paths, say)
            for run_id, expected in not_whole.items():
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
    say(f"The damaged run log was moved to {aside}; keep it until you have looked at the new one.")
    say(f"The new run log {log_path} holds {runs} runs.")
    return lost


def _files_of(log_path: Path) -> list[Path]:
    """A log's file and what belongs to it while it is open."""
    return [log_path.with_name(log_path.name + end) for end in ("", "-wal", "-shm")]


def _taken_over(log_path: Path, new: RunLog, say: Say) -> tuple[dict[int, int], int]:
    """Copy what can be read of the damaged log. Returns the runs that came over in part, with how
    many records each should have, and the number of runs that could not be read at all."""
    not_whole: dict[int, int] = {}
    unreadable = taken = 0
    try:
        old = RunLog(log_path, readonly=True)
        rows = old.runs(ALL_RUNS)
    except (RigError, SQLAlchemyError):
        say("Nothing can be read of it; its runs come from the raw files and get new numbers.")
        return {}, 0
    with old:
        for row in reversed(rows):
            try:
                run = old.load(row.id)
            except (RigError, SQLAlchemyError, LookupError, TypeError, ValueError):
                say(f"Run {row.id} cannot be read. Its raw file, if there, gives it a new number.")
                unreadable += 1
                continue
            if _copied(old, new, run) < run.n_records:
                not_whole[row.id] = run.n_records
            taken += 1
    say(f"{taken} runs were taken over from it under their numbers.")
    return not_whole, unreadable


def _copied(old: RunLog, new: RunLog, run: StoredRun) -> int:
    """Copy a run with its number; returns how many of its records could be read."""
    run_id = new.begin_run(run.header, run.raw_file, run.id)
    copied, waiting = 0, b""
    for text in _until_damage(run):
        waiting += text
        if len(waiting) >= COPY_BYTES:
            copied, waiting = copied + _append(new, run_id, waiting), b""
    if waiting:
        copied += _append(new, run_id, waiting)
    status = "interrupted" if run.status == "running" else run.status
    remark = f"{run.remark} Taken over from a damaged run log.".strip()
    if copied < run.n_records:
        status, remark = "fault", f"{remark} {copied} of {run.n_records} records could be read."
    new.end_run(run_id, status, run.end, remark, run.clock, run.end_utc_s)
    if copied == run.n_records:
        result = None
        with contextlib.suppress(RigError, SQLAlchemyError, ValueError):  # else worked out anew
            result = old.result(run.id)
        if result is not None:
            new.save_result(run_id, result, run.header.software)
    return copied


def _until_damage(run: StoredRun) -> Iterator[bytes]:
    with contextlib.suppress(RigError, SQLAlchemyError):
        yield from run.chunks()


def _append(log: RunLog, run_id: int, text: bytes) -> int:
    n = text.count(b"\n")
    log.append_chunk(run_id, n, text)
    return n
