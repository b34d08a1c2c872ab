# SPDX-License-Identifier: MIT
"""Rows of the list of runs, and the current meaning of a stored status."""

from __future__ import annotations

from typing import Any

from sqlalchemy import FromClause, Select, func, select

from rig.core.state_file import Owner
from rig.runlog.rows import RunRow
from rig.runlog.tables import conditions, jobs, results, runs, valves

WRITER = (runs.c.writer_pid, runs.c.writer_started, runs.c.writer_boot_id)


def status_now(status: str, pid: int, started: int, boot_id: str) -> str:
    """Current status of a run: one marked running whose recorder has exited is interrupted. List,
    run, report and history all use this."""
    if status == "running" and not Owner(pid, started, boot_id).alive():
        return "interrupted"
    return status


def latest_result() -> Any:
    """The number of a run's newest result, to compare with `results.id`."""
    of_run = results.alias("of_run")
    return select(func.max(of_run.c.id)).where(of_run.c.run_id == runs.c.id).scalar_subquery()


def newest_verdict(of: FromClause) -> Any:
    """The verdict of the newest result of a run of `of`: the table of runs, or an alias of it."""
    judged = results.alias("judged")
    newest = select(judged.c.verdict).where(judged.c.run_id == of.c.id)
    return newest.order_by(judged.c.id.desc()).limit(1).scalar_subquery()


def listed_runs() -> Select[Any]:
    """The columns that `as_row` needs, for all runs."""
    oil = select(conditions.c.number).where(
        conditions.c.run_id == runs.c.id, conditions.c.name == "oil_temperature"
    )
    return (
        select(
            *WRITER,
            runs.c.id, runs.c.wall_utc_s, runs.c.synchronised, runs.c.source, runs.c.status,
            valves.c.tag, jobs.c.name, runs.c.person, runs.c.mount, runs.c.kind,
            results.c.strokes, results.c.verdict, results.c.response_mean_ms,
            results.c.response_n, results.c.response_max_ms, results.c.release_mean_ms,
            results.c.release_n, results.c.missed, oil.scalar_subquery(), runs.c.purpose,
            runs.c.sheet_name,
        )
        .outerjoin(valves, runs.c.valve_id == valves.c.id)
        .outerjoin(jobs, runs.c.job_id == jobs.c.id)
        .outerjoin(results, results.c.id == latest_result())
    )  # fmt: skip


def as_row(row: Any) -> RunRow:
    """Build a row of the list."""
    pid, started, boot_id, number, utc_s, synchronised, source, status, *rest = tuple(row)
    status = status_now(status, pid, started, boot_id)
    known = None if synchronised is None else bool(synchronised)
    return RunRow(number, utc_s, known, source, status, *rest)
