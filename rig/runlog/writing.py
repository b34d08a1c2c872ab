# SPDX-License-Identifier: MIT
"""The statements that write the run log; each takes the connection of an open transaction."""

from __future__ import annotations

import json
import time
import zlib
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from sqlalchemy import Connection, CursorResult, Table, func, insert, select, update

from rig.core.clock import ClockChange
from rig.core.errors import StorageError
from rig.core.records import End, decode
from rig.core.state_file import Owner, this_process
from rig.runlog.engine import sqlite_version
from rig.runlog.header import RunHeader
from rig.runlog.rows import result_figures
from rig.runlog.tables import chunks, conditions, jobs, results, runs, texts, valves

if TYPE_CHECKING:
    from rig.core.results.run import Condition

COMPRESSION = 6


def as_json(value: object) -> str:
    """Compact JSON. Raises ValueError on NaN or infinity."""
    return json.dumps(value, allow_nan=False, separators=(",", ":"))


def insert_run(
    connection: Connection, header: RunHeader, raw_file: str | None, number: int | None = None
) -> int:
    """Insert the run's row with its conditions, texts, valve and job; returns its number.

    `number` is given only for a run that comes from another log and keeps its number.
    """
    _keep_text(connection, header.setup_hash, header.setup_text)
    if header.sheet_hash is not None and header.sheet_text is not None:
        _keep_text(connection, header.sheet_hash, header.sheet_text)
    writer = this_process()
    done = connection.execute(
        insert(runs).values(
            **({} if number is None else {"id": number}),
            uid=header.uid,
            source=header.source,
            seed=header.seed,
            status="running",
            valve_id=_id_of(connection, valves, "tag", header.valve),
            job_id=_id_of(connection, jobs, "name", header.job),
            person=header.by,
            mount=header.mount,
            note=header.note,
            purpose=header.purpose,
            kind=header.kind,
            setup_hash=header.setup_hash,
            setup_name=header.setup_name,
            sheet_hash=header.sheet_hash,
            sheet_name=header.sheet_name,
            software=header.software,
            database=f"SQLite {sqlite_version()}",
            wall_utc_s=header.wall.utc_s,
            monotonic_ns=header.wall.monotonic_ns,
            boot_id=header.wall.boot_id,
            synchronised=header.wall.synchronised,
            hardware=as_json(dict(header.hardware)),
            watched=as_json(header.watched),
            not_watched=as_json(header.not_watched),
            confirmed_by=header.confirmed_by,
            confirmation=header.confirmation,
            confirmed_utc_s=header.confirmed_utc_s,
            writer_pid=writer.pid,
            writer_started=writer.started,
            writer_boot_id=writer.boot_id,
            raw_file=raw_file,
        )
    )
    run_id = _new_id(done)
    rows = [_condition(run_id, name, given) for name, given in header.conditions.items()]
    if rows:
        connection.execute(insert(conditions), rows)
    return run_id


def _condition(run_id: int, name: str, given: Condition) -> dict[str, object]:
    value = given["value"]
    number, text = (None, value) if isinstance(value, str) else (float(value), None)
    return {
        "run_id": run_id, "name": name, "number": number, "text": text,
        "unit": given["unit"], "how": given["how"],
    }  # fmt: skip


def _keep_text(connection: Connection, key: str, text: str) -> None:
    kept = connection.execute(select(texts.c.text).where(texts.c.hash == key)).scalar()
    if kept is None:
        connection.execute(insert(texts).values(hash=key, text=text))
    elif kept != text:
        raise StorageError(
            f"Two different texts have the hash {key:.16}: this setup or sheet cannot be stored."
        )


def _id_of(connection: Connection, table: Table, column: str, name: str | None) -> int | None:
    """The row's id; creates the row if it is missing."""
    if name is None:
        return None
    found = connection.execute(select(table.c.id).where(table.c[column] == name)).scalar()
    if found is not None:
        return int(found)
    return _new_id(connection.execute(insert(table).values({column: name})))


def _new_id(done: CursorResult[object]) -> int:
    key = done.inserted_primary_key
    if key is None:
        raise StorageError("The run log's database did not say which row it made.")
    return int(key[0])


def insert_chunk(connection: Connection, run_id: int, n: int, text: bytes) -> None:
    """Append `n` records; `text` is newline-terminated. Raises ValueError otherwise."""
    if n < 1 or text.count(b"\n") != n or not text.endswith(b"\n"):
        raise ValueError(f"a chunk of {n} records needs {n} newline-terminated lines")
    first = decode(text[: text.index(b"\n")])
    last = decode(text[text.rfind(b"\n", 0, -1) + 1 : -1])
    before = select(func.coalesce(func.max(chunks.c.sequence), 0)).where(chunks.c.run_id == run_id)
    connection.execute(
        insert(chunks).values(
            run_id=run_id,
            sequence=(connection.execute(before).scalar() or 0) + 1,
            first_t_ns=first.t_ns,
            last_t_ns=last.t_ns,
            n=n,
            crc32=zlib.crc32(text),
            data=zlib.compress(text, COMPRESSION),
        )
    )


def finish_run(
    connection: Connection,
    run_id: int,
    status: str,
    end: End | None,
    remark: str,
    clock: ClockChange | None = None,
    ended_utc_s: float | None = None,
) -> None:
    """Close the run's row. Without `end`, its end is the time of its last record."""
    last = select(func.max(chunks.c.last_t_ns)).where(chunks.c.run_id == run_id)
    values: dict[str, object] = {
        "status": status,
        "off_state": end.off if end else None,
        "end_t_ns": end.t_ns if end else last.scalar_subquery(),
        "end_utc_s": time.time() if ended_utc_s is None else ended_utc_s,
    }
    if remark:
        values["remark"] = remark
    if clock is not None:
        values |= {"clock_step_s": clock.stepped_s, "slept_s": clock.slept_s}
    done = connection.execute(update(runs).where(runs.c.id == run_id).values(values))
    if done.rowcount != 1:
        raise StorageError(f"There is no run {run_id} in the log.")


def interrupt_dead(connection: Connection) -> list[int]:
    """Mark running runs whose writer has exited; returns their numbers."""
    running = connection.execute(
        select(runs.c.id, runs.c.writer_pid, runs.c.writer_started, runs.c.writer_boot_id)
        .where(runs.c.status == "running")
        .order_by(runs.c.id)
    ).all()
    dead = [row.id for row in running if not Owner(*row[1:]).alive()]
    for run_id in dead:
        finish_run(connection, run_id, "interrupted", None, "Its recorder ended without closing it")
    return dead


def drop_results(connection: Connection, run_id: int) -> None:
    """Delete the results of a run whose records have changed."""
    connection.execute(results.delete().where(results.c.run_id == run_id))


LINES_AT_ONCE = 5_000


def replace_chunks(connection: Connection, run_id: int, lines: Sequence[bytes]) -> None:
    """Replace all chunks of the run with `lines`."""
    connection.execute(chunks.delete().where(chunks.c.run_id == run_id))
    for first in range(0, len(lines), LINES_AT_ONCE):
        block = lines[first : first + LINES_AT_ONCE]
        insert_chunk(connection, run_id, len(block), b"\n".join(block) + b"\n")


def insert_result(
    connection: Connection, run_id: int, result: Mapping[str, object], software: str
) -> None:
    """Store a result, replacing one of the same software. Raises ValueError on NaN."""
    text = as_json(result)
    same = (results.c.run_id == run_id) & (results.c.software == software)
    connection.execute(results.delete().where(same))
    connection.execute(
        insert(results).values(
            run_id=run_id,
            software=software,
            created_utc_s=time.time(),
            json=text,
            **result_figures(result),
        )
    )
