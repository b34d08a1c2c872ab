# SPDX-License-Identifier: MIT
"""The run log as one object: begin a run, append its records, end it, list and load.

A RunLog opened for writing holds one connection and belongs to one thread; one opened with
`readonly` may be shared by threads, and opens and closes a read-only connection for each query.
"""

from __future__ import annotations

import contextlib
import json
import zlib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from sqlalchemy import Connection, func, select
from sqlalchemy.exc import IntegrityError

from rig.core.clock import ClockChange, WallTime
from rig.core.errors import StorageError, UsageError
from rig.core.records import End
from rig.runlog import schema, writing
from rig.runlog.engine import BUSY_S, RECOVER, open_engine, plainly
from rig.runlog.header import RunHeader
from rig.runlog.listing import as_row, listed_runs, status_now
from rig.runlog.rows import RunRow, StoredRun
from rig.runlog.tables import STATUSES, chunks, conditions, jobs, results, runs, texts, valves

if TYPE_CHECKING:
    from rig.core.results.run import Result

CHUNKS_AT_ONCE = 8


class RunLog:
    """The log at `path`. For writing it is created or upgraded if needed (schema.prepare).

    `busy_s` is how long to wait for another program's lock. Every method raises StorageError with
    plain words; LogBusyError, worth retrying, if the log stays locked for longer.
    """

    def __init__(self, path: Path, readonly: bool = False, *, busy_s: float = BUSY_S) -> None:
        self.path = Path(path).absolute()
        self.readonly = readonly
        if readonly:
            schema.require_current(self.path)
        else:
            schema.prepare(self.path, busy_s)
        self._reader = open_engine(self.path, write=False, busy_s=busy_s)
        self._writer = None if readonly else open_engine(self.path, write=True, busy_s=busy_s)

    @classmethod
    def reading(cls, path: Path) -> Self:
        """Open the log for reading; one in an older program's form is upgraded first.

        Raises NoLogError if there is none yet.
        """
        try:
            return cls(path, readonly=True)
        except schema.OldLogError:
            cls(path).close()
            return cls(path, readonly=True)

    def close(self) -> None:
        """Idempotent. The last writer's close checkpoints the write-ahead log."""
        self._reader.dispose()
        if self._writer is not None:
            self._writer.dispose()
            self._writer = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:  # fmt: skip
        self.close()

    @contextlib.contextmanager
    def _writing(self) -> Iterator[Connection]:
        if self._writer is None:
            raise StorageError(f"The run log {self.path} was opened for reading only.")
        with plainly(self.path), self._writer.begin() as connection:
            yield connection

    @contextlib.contextmanager
    def _reading(self) -> Iterator[Connection]:
        with plainly(self.path), self._reader.begin() as connection:
            yield connection

    @contextlib.contextmanager
    def _naming_damage(self) -> Iterator[None]:
        """Name the damage that a changed byte in a page does to a row, which SQLite does not
        see."""
        try:
            yield
        except (ValueError, TypeError, RecursionError) as error:
            raise StorageError(
                f"The run log {self.path} is damaged: a row of it cannot be read. {RECOVER}"
            ) from error

    def begin_run(
        self, header: RunHeader, raw_file: str | None = None, number: int | None = None
    ) -> int:
        """Enter a run as running, written by this process; returns its number once it is synced.

        `number`: only for a run that comes from another log and keeps its number.
        """
        with self._writing() as connection:
            return writing.insert_run(connection, header, raw_file, number)

    def append_chunk(self, run_id: int, n: int, text: bytes) -> None:
        """Append `n` records (newline-terminated text); synced on return."""
        with self._writing() as connection:
            writing.insert_chunk(connection, run_id, n, text)

    def end_run(
        self, run_id: int, status: str, end: End | None = None, remark: str = "",
        clock: ClockChange | None = None, ended_utc_s: float | None = None,
    ) -> None:  # fmt: skip
        """Close a run with one of STATUSES, now or at `ended_utc_s`; synced on return."""
        if status not in STATUSES or status == "running":
            raise ValueError(f"{status!r} is not how a run ends")
        with self._writing() as connection:
            writing.finish_run(connection, run_id, status, end, remark, clock, ended_utc_s)

    def mark_interrupted(self) -> list[int]:
        """Mark as interrupted every running run whose writing process has exited; what was
        committed stays.

        Only for a process that starts a run, or at a person's request. Returns their numbers.
        """
        with self._writing() as connection:
            return writing.interrupt_dead(connection)

    def save_result(self, run_id: int, result: Mapping[str, object], software: str) -> None:
        """Store the analysis of a run, replacing an earlier one of the same software."""
        try:
            with self._writing() as connection:
                writing.insert_result(connection, run_id, result, software)
        except IntegrityError as error:
            raise StorageError(f"There is no run {run_id} in the log.") from error

    def result(self, run_id: int) -> Result | None:
        """The latest result of a run, None if it was not analysed."""
        query = select(results.c.json).where(results.c.run_id == run_id)
        with self._reading() as connection:
            text = connection.execute(query.order_by(results.c.id.desc()).limit(1)).scalar()
        with self._naming_damage():
            found: Result | None = None if text is None else json.loads(text)
        return found

    def runs(
        self, limit: int = 50, before: int | None = None, valve: str | None = None
    ) -> list[RunRow]:
        """Runs, newest first; only those numbered below `before`, only of one valve's tag. Runs
        removed from the list are omitted; for more criteria see rig.runlog.search."""
        query = listed_runs().where(runs.c.removed_utc_s.is_(None))
        query = query.order_by(runs.c.id.desc()).limit(limit)
        if before is not None:
            query = query.where(runs.c.id < before)
        if valve is not None:
            query = query.where(valves.c.tag == valve)
        with self._reading() as connection:
            rows = connection.execute(query).all()
        return [as_row(row) for row in rows]

    def load(self, run_id: int) -> StoredRun:
        """Load a run with everything stored about it; raises UsageError if there is no such run."""
        setups, sheets = texts.alias("setups"), texts.alias("sheets")
        count = select(func.coalesce(func.sum(chunks.c.n), 0)).where(chunks.c.run_id == runs.c.id)
        verdict = select(results.c.verdict).where(results.c.run_id == runs.c.id)
        newest = verdict.order_by(results.c.id.desc()).limit(1).scalar_subquery()
        query = (
            select(
                runs, valves.c.tag, jobs.c.name, setups.c.text.label("setup_text"),
                sheets.c.text.label("sheet_text"), count.scalar_subquery().label("n_records"),
                newest.label("verdict"),
            )
            .join(setups, runs.c.setup_hash == setups.c.hash)
            .outerjoin(sheets, runs.c.sheet_hash == sheets.c.hash)
            .outerjoin(valves, runs.c.valve_id == valves.c.id)
            .outerjoin(jobs, runs.c.job_id == jobs.c.id)
            .where(runs.c.id == run_id)
        )  # fmt: skip
        stated = select(conditions).where(conditions.c.run_id == run_id)
        with self._reading() as connection:
            row = connection.execute(query).first()
            given = connection.execute(stated).all()
        if row is None:
            raise UsageError(f"There is no run {run_id} in the log; `rig runs` lists them.")
        end = None
        if row.status != "interrupted" and row.off_state is not None:
            end = End(row.status, row.off_state, row.end_t_ns)
        with self._naming_damage():
            header = _header(row, given)
        status = status_now(row.status, row.writer_pid, row.writer_started, row.writer_boot_id)
        return StoredRun(
            run_id, header, status, end, row.end_utc_s, row.n_records,
            row.raw_file, row.remark, row.database, _clock(row), row.verdict,
            lambda: self._chunks(run_id),
        )  # fmt: skip

    def _chunks(self, run_id: int) -> Iterator[bytes]:
        """Read a few chunks at a time, so that a slow reader never blocks the checkpoint of the
        write-ahead log."""
        done = 0
        while True:
            query = (
                select(chunks.c.sequence, chunks.c.crc32, chunks.c.data)
                .where(chunks.c.run_id == run_id, chunks.c.sequence > done)
                .order_by(chunks.c.sequence)
                .limit(CHUNKS_AT_ONCE)
            )
            with self._reading() as connection:
                rows = connection.execute(query).all()
            for row in rows:
                yield self._verified(run_id, row, done + 1)
                done = row.sequence
            if len(rows) < CHUNKS_AT_ONCE:
                return

    def _verified(self, run_id: int, row: Any, expected: int) -> bytes:
        text = chunk_text(row.crc32, row.data)
        if row.sequence != expected or text is None:
            raise StorageError(
                f"Run {run_id} is damaged in the run log {self.path}: chunk {expected} is missing "
                "or does not fit its checksum. Its raw file holds the same records: `rig recover`."
            )
        return text

    def good_lines(self, run_id: int) -> tuple[list[bytes], bool]:
        """The run's records from chunks that match their checksum, without newline, and whether any
        chunk does not match or is missing."""
        query = select(chunks.c.sequence, chunks.c.crc32, chunks.c.data).where(
            chunks.c.run_id == run_id
        )
        lines: list[bytes] = []
        done, damaged = 0, False
        with self._reading() as connection:
            for row in connection.execute(query.order_by(chunks.c.sequence)):
                done += 1
                text = chunk_text(row.crc32, row.data)
                damaged = damaged or text is None or row.sequence != done
                lines += (text or b"").splitlines()
        return lines, damaged

    def replace_records(self, run_id: int, lines: Sequence[bytes]) -> None:
        """Replace the run's records with `lines`, all or nothing; synced on return."""
        with self._writing() as connection:
            writing.replace_chunks(connection, run_id, lines)

    def run_of_raw(self, name: str) -> int | None:
        """The number of the run whose raw file has this name, None if the log has none."""
        with self._reading() as connection:
            found = connection.execute(select(runs.c.id).where(runs.c.raw_file == name)).scalar()
        return None if found is None else int(found)

    def drop_results(self, run_id: int) -> None:
        """Delete the results of a run whose records have changed."""
        with self._writing() as connection:
            writing.drop_results(connection, run_id)

    def uid_of(self, uid: str) -> int | None:
        """The number of the run with this uid, None if the log has none."""
        with self._reading() as connection:
            found = connection.execute(select(runs.c.id).where(runs.c.uid == uid)).scalar()
        return None if found is None else int(found)


def chunk_text(crc32: object, data: Any) -> bytes | None:
    """The text of a stored chunk; None if it does not match its checksum."""
    try:
        text = zlib.decompress(data)
    except (zlib.error, TypeError):
        return None
    return text if zlib.crc32(text) == crc32 else None


def _yes_no(value: object) -> bool | None:
    return None if value is None else bool(value)


def _clock(row: Any) -> ClockChange | None:
    if row.clock_step_s is None or row.slept_s is None:
        return None
    return ClockChange(row.clock_step_s, row.slept_s)


def _header(row: Any, given: Any) -> RunHeader:
    return RunHeader(
        source=row.source,
        seed=row.seed,
        valve=row.tag,
        job=row.name,
        by=row.person,
        mount=row.mount,
        note=row.note,
        purpose=row.purpose,
        conditions={
            item.name: {
                "value": item.number if item.text is None else item.text,
                "unit": item.unit,
                "how": item.how,
            }
            for item in given
        },
        confirmed_by=row.confirmed_by,
        confirmation=row.confirmation,
        confirmed_utc_s=row.confirmed_utc_s,
        setup_text=row.setup_text,
        setup_hash=row.setup_hash,
        setup_name=row.setup_name,
        sheet_text=row.sheet_text,
        sheet_hash=row.sheet_hash,
        sheet_name=row.sheet_name,
        software=row.software,
        wall=WallTime(row.wall_utc_s, row.monotonic_ns, row.boot_id, _yes_no(row.synchronised)),
        hardware=json.loads(row.hardware),
        watched=json.loads(row.watched),
        not_watched=json.loads(row.not_watched),
        uid=row.uid,
    )


__all__ = ["RunHeader", "RunLog", "RunRow", "StoredRun"]
