# SPDX-License-Identifier: MIT
"""Runs by what is known of them, page by page: a page begins after the last run of the one before,
so that it takes as long in a log of a hundred thousand runs as in a short one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Literal, NamedTuple

from sqlalchemy import ColumnElement, Connection, Select, and_, exists, func, or_, select

from rig.core.errors import UsageError
from rig.core.state_file import Owner
from rig.runlog.rows import RunRow
from rig.runlog.store import RunLog
from rig.runlog.tables import jobs, results, runs, tags, valves

Verdict = Literal["conforms", "does_not_conform", "undecided", "not_tested", "none"]
"""A verdict, or none: the run has no result."""
Source = Literal["simulated", "emulated board", "board", "capture"]
Status = Literal["running", "finished", "tripped", "aborted", "interrupted", "fault"]
Kind = Literal["strokes", "hold", "ramp"]
Order = Literal["newest", "oldest", "slowest", "fastest"]
ORDERS: Final[tuple[Order, ...]] = ("newest", "oldest", "slowest", "fastest")
LOOKED_THROUGH, NAMES_MOST = 2000, 50
NO_RESULT = "none"
"""As a verdict: the run was never analysed."""


@dataclass(frozen=True)
class Sought:
    """What is looked for; None or empty: anything. Times in seconds UTC, `until` not included."""

    valve: str | None = None
    job: str | None = None
    by: str | None = None
    verdict: str | None = None
    source: str | None = None
    status: str | None = None
    kind: str | None = None
    tag: str | None = None
    since_utc_s: float | None = None
    until_utc_s: float | None = None
    removed: bool = False
    """Those taken off the list instead of those on it."""
    order: Order = "newest"


class Place(NamedTuple):
    """The last run of a page: its number, and its mean response where that is the order."""

    id: int
    mean_ms: float | None = None


class Listed(NamedTuple):
    """A run of the list with its tags."""

    row: RunRow
    tags: tuple[str, ...]


def find(
    log: RunLog, sought: Sought, limit: int, after: Place | None = None
) -> tuple[list[Listed], Place | None]:
    """Up to `limit` runs, and the place where the next page begins (None: this was the last).

    Raises UsageError for an unknown order.
    """
    with log._reading() as connection:
        query = _ordered(_numbers(sought, connection), sought.order, after).limit(limit + 1)
        numbers = [row[0] for row in connection.execute(query)]
        more, numbers = len(numbers) > limit, numbers[:limit]
        rows = {row[0]: row for row in connection.execute(_details(numbers))}
        tagged = select(tags.c.run_id, tags.c.tag).where(tags.c.run_id.in_(numbers))
        found: dict[int, list[str]] = {}
        for run_id, tag in connection.execute(tagged.order_by(tags.c.tag)):
            found.setdefault(run_id, []).append(tag)
    shown = [_as_it_stands(rows[n]) for n in numbers]
    listed = [Listed(row, tuple(found.get(row.id, ()))) for row in shown]
    return listed, Place(shown[-1].id, shown[-1].response_mean_ms) if more else None


def _as_it_stands(row: Any) -> RunRow:
    """A run of the list; one whose writer is gone is interrupted, whatever it says of itself."""
    *of_run, pid, started, boot_id = tuple(row)
    if row.status == "running" and not Owner(pid, started, boot_id).alive():
        of_run[4] = "interrupted"
    return RunRow(of_run[0], of_run[1], _yes_no(of_run[2]), *of_run[3:])


def _latest() -> Any:
    """The number of a run's newest result."""
    of_run = results.alias("of_run")
    return select(func.max(of_run.c.id)).where(of_run.c.run_id == runs.c.id).scalar_subquery()


def _details(numbers: list[int]) -> Select[Any]:
    return (
        select(
            runs.c.id, runs.c.wall_utc_s, runs.c.synchronised, runs.c.source, runs.c.status,
            valves.c.tag, jobs.c.name, runs.c.person, runs.c.mount, runs.c.kind,
            results.c.strokes, results.c.verdict, results.c.response_mean_ms,
            runs.c.writer_pid, runs.c.writer_started, runs.c.writer_boot_id,
        )
        .outerjoin(valves, runs.c.valve_id == valves.c.id)
        .outerjoin(jobs, runs.c.job_id == jobs.c.id)
        .outerjoin(results, results.c.id == _latest())
        .where(runs.c.id.in_(numbers))
    )  # fmt: skip


def _numbers(sought: Sought, connection: Connection) -> Select[Any]:
    """The numbers alone: what a row shows is looked up for the rows of one page, not for all that
    were passed over. Names are turned into their numbers first, so that an index leads to them."""
    wanted: list[ColumnElement[bool]] = [
        runs.c.removed_utc_s.is_not(None) if sought.removed else runs.c.removed_utc_s.is_(None)
    ]
    for column, value in (
        (runs.c.person, sought.by), (runs.c.source, sought.source), (runs.c.status, sought.status),
        (runs.c.kind, sought.kind),
    ):  # fmt: skip
        if value:
            wanted.append(column == value)
    for column, table, name, value in (
        (runs.c.valve_id, valves, valves.c.tag, sought.valve),
        (runs.c.job_id, jobs, jobs.c.name, sought.job),
    ):
        if value:
            number = connection.execute(select(table.c.id).where(name == value)).scalar()
            wanted.append(column == (-1 if number is None else number))
    if sought.tag:
        wanted.append(runs.c.id.in_(select(tags.c.run_id).where(tags.c.tag == sought.tag)))
    if sought.since_utc_s is not None:
        wanted.append(runs.c.wall_utc_s >= sought.since_utc_s)
    if sought.until_utc_s is not None:
        wanted.append(runs.c.wall_utc_s < sought.until_utc_s)
    query = select(runs.c.id)
    verdict = sought.verdict if sought.verdict != NO_RESULT else None
    if sought.verdict == NO_RESULT:  # none of these has a time to be ordered by
        any_of_run = results.alias("any_of_run")
        wanted.append(~exists().where(any_of_run.c.run_id == runs.c.id))
    if verdict or sought.order in ("slowest", "fastest"):
        query = query.select_from(results).join(runs, runs.c.id == results.c.run_id)
        wanted.append(results.c.id == _latest())
        if verdict:
            wanted.append(results.c.verdict == verdict)
    return query.where(*wanted)


def _ordered(query: Select[Any], order: str, after: Place | None) -> Select[Any]:
    number, mean = runs.c.id, results.c.response_mean_ms
    match order:
        case "newest":
            query = query.order_by(number.desc())
            return query if after is None else query.where(number < after.id)
        case "oldest":
            query = query.order_by(number)
            return query if after is None else query.where(number > after.id)
        case "slowest" | "fastest":
            down, of_run = order == "slowest", results.c.run_id
            query = query.where(mean.is_not(None)).order_by(
                mean.desc() if down else mean, of_run.desc() if down else of_run
            )
            if after is None or after.mean_ms is None:
                return query
            beyond = mean < after.mean_ms if down else mean > after.mean_ms
            further = of_run < after.id if down else of_run > after.id
            return query.where(or_(beyond, and_(mean == after.mean_ms, further)))
    raise UsageError(f"There is no order {order!r:.20}; there are {', '.join(ORDERS)}.")


def _yes_no(value: object) -> bool | None:
    return None if value is None else bool(value)


def known(log: RunLog) -> dict[str, list[str]]:
    """Names to choose from: tags and persons of the newest runs."""
    with log._reading() as connection:
        newest = select(runs.c.person).order_by(runs.c.id.desc()).limit(LOOKED_THROUGH).subquery()
        people = select(newest.c.person).where(newest.c.person.is_not(None)).distinct()
        last = select(tags.c.tag).order_by(tags.c.run_id.desc()).limit(LOOKED_THROUGH).subquery()
        return {
            "by": sorted(row[0] for row in connection.execute(people.limit(NAMES_MOST))),
            "tag": sorted(
                row[0]
                for row in connection.execute(select(last.c.tag).distinct().limit(NAMES_MOST))
            ),
        }
