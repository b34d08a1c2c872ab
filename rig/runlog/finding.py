# SPDX-License-Identifier: MIT
"""Runs by what is known of them, page by page: a page begins after the last run of the one before,
so that it takes as long in a log of a hundred thousand runs as in a short one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Literal, NamedTuple

from sqlalchemy import ColumnElement, Select, and_, exists, func, or_, select

from rig.core.errors import UsageError
from rig.runlog.rows import RunRow
from rig.runlog.store import RunLog
from rig.runlog.tables import jobs, results, runs, tags, valves

Order = Literal["newest", "oldest", "slowest", "fastest"]
ORDERS: Final[tuple[Order, ...]] = ("newest", "oldest", "slowest", "fastest")
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
    query = _ordered(_query(sought), sought.order, after).limit(limit + 1)
    with log._reading() as connection:
        rows = [RunRow(r[0], r[1], _yes_no(r[2]), *tuple(r)[3:]) for r in connection.execute(query)]
        shown = rows[:limit]
        numbers = [row.id for row in shown]
        found: dict[int, list[str]] = {}
        tagged = select(tags.c.run_id, tags.c.tag).where(tags.c.run_id.in_(numbers))
        for run_id, tag in connection.execute(tagged.order_by(tags.c.tag)):
            found.setdefault(run_id, []).append(tag)
    listed = [Listed(row, tuple(found.get(row.id, ()))) for row in shown]
    more = len(rows) > limit and bool(shown)
    return listed, Place(shown[-1].id, shown[-1].response_mean_ms) if more else None


def _query(sought: Sought) -> Select[Any]:
    of_run = results.alias("of_run")
    latest = select(func.max(of_run.c.id)).where(of_run.c.run_id == runs.c.id).scalar_subquery()
    wanted: list[ColumnElement[bool]] = [
        runs.c.removed_utc_s.is_not(None) if sought.removed else runs.c.removed_utc_s.is_(None)
    ]
    for column, value in (
        (valves.c.tag, sought.valve), (jobs.c.name, sought.job), (runs.c.person, sought.by),
        (runs.c.source, sought.source), (runs.c.status, sought.status), (runs.c.kind, sought.kind),
    ):  # fmt: skip
        if value:
            wanted.append(column == value)
    if sought.verdict == NO_RESULT:
        wanted.append(results.c.id.is_(None))
    elif sought.verdict:
        wanted.append(results.c.verdict == sought.verdict)
    if sought.tag:
        tagged = exists().where(and_(tags.c.run_id == runs.c.id, tags.c.tag == sought.tag))
        wanted.append(tagged)
    if sought.since_utc_s is not None:
        wanted.append(runs.c.wall_utc_s >= sought.since_utc_s)
    if sought.until_utc_s is not None:
        wanted.append(runs.c.wall_utc_s < sought.until_utc_s)
    return (
        select(
            runs.c.id, runs.c.wall_utc_s, runs.c.synchronised, runs.c.source, runs.c.status,
            valves.c.tag, jobs.c.name, runs.c.person, runs.c.mount, runs.c.kind,
            results.c.strokes, results.c.verdict, results.c.response_mean_ms,
        )
        .outerjoin(valves, runs.c.valve_id == valves.c.id)
        .outerjoin(jobs, runs.c.job_id == jobs.c.id)
        .outerjoin(results, results.c.id == latest)
        .where(*wanted)
    )  # fmt: skip


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
            down = order == "slowest"
            query = query.where(mean.is_not(None)).order_by(
                mean.desc() if down else mean, number.desc()
            )
            if after is None or after.mean_ms is None:
                return query
            beyond = mean < after.mean_ms if down else mean > after.mean_ms
            return query.where(or_(beyond, and_(mean == after.mean_ms, number < after.id)))
    raise UsageError(f"There is no order {order!r:.20}; there are {', '.join(ORDERS)}.")


def _yes_no(value: object) -> bool | None:
    return None if value is None else bool(value)


def known(log: RunLog) -> dict[str, list[str]]:
    """Names to choose from: tags and persons, the most used of each."""
    with log._reading() as connection:
        people = select(runs.c.person).where(runs.c.person.is_not(None)).group_by(runs.c.person)
        used = select(tags.c.tag).group_by(tags.c.tag).order_by(func.count().desc())
        return {
            "by": [row[0] for row in connection.execute(people.limit(50))],
            "tag": [row[0] for row in connection.execute(used.limit(50))],
        }
