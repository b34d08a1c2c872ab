# SPDX-License-Identifier: MIT
"""The register of valves and jobs: what a person wrote about them, and their runs.

A valve enters the register by hand or with its first run. Names are kept as entered.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Column, Select, Table, func, literal, select
from sqlalchemy.exc import IntegrityError

from rig.core.errors import UsageError
from rig.runlog.header import PURPOSES
from rig.runlog.listing import WRITER, latest_result, newest_verdict, status_now
from rig.runlog.store import RunLog
from rig.runlog.tables import jobs, results, runs, valves

LONGEST_TAG = 80
LONGEST_KIND = 80
LONGEST_NOTES = 2000
JOB_TEXTS = ("complaint", "repair")
"""Texts of a job apart from its notes: the complaint in the customer's words, and what was done."""
MOST_IN_HISTORY = 400
LOOKED_THROUGH = 2000


@dataclass(frozen=True)
class Entry:
    """A valve (`name` is its tag) or a job; `last` is the number of its newest run. Complaint and
    repair apply to a job and are empty for a valve."""

    id: int
    name: str
    kind: str
    notes: str
    runs: int
    last: int | None
    last_utc_s: float | None
    last_verdict: str | None
    complaint: str
    repair: str


@dataclass(frozen=True)
class PastRun:
    """One run in the history of a valve or job. Times in ms; `low_ms` to `high_ms` is the interval
    of the mean response in its result (None if there is none), `n` the number of strokes behind it;
    likewise for the release."""

    id: int
    started_utc_s: float
    source: str
    status: str
    kind: str | None
    valve: str | None
    job: str | None
    by: str | None
    sheet: str | None
    setup_hash: str
    strokes: int | None
    verdict: str | None
    mean_ms: float | None
    low_ms: float | None
    high_ms: float | None
    of_the_valve: str | None
    n: int | None
    release_ms: float | None
    release_low_ms: float | None
    release_high_ms: float | None
    release_n: int | None

    @property
    def whole(self) -> bool:
        """Whether it was completed; a stopped or tripped run does not show how a valve was or
        is."""
        return self.status in ("finished", "captured")


VALVE: Final = "valve"
JOB: Final = "job"


def entries(
    log: RunLog, of: str, *, after: str = "", limit: int = 50, contains: str = ""
) -> list[Entry]:
    """Valves or jobs (`of`: VALVE or JOB) in order of name, only those after `after` whose name
    contains `contains`."""
    name = _name(of)
    query = _entries(of).where(name > after).order_by(name).limit(limit)
    if contains:
        query = query.where(name.icontains(contains, autoescape=True))
    with log._reading() as connection:
        return [Entry(*row) for row in connection.execute(query).all()]


def entry(log: RunLog, of: str, number: int) -> Entry | None:
    """The valve or job with this number in the register; None if there is none."""
    with log._reading() as connection:
        row = connection.execute(_entries(of).where(_table(of).c.id == number)).first()
    return None if row is None else Entry(*row)


def _entries(of: str) -> Select[Any]:
    table, key = _table(of), _key(of)
    last, count = (
        select(what)
        .select_from(runs)
        .where(key == table.c.id, runs.c.removed_utc_s.is_(None))
        .correlate(table)
        .scalar_subquery()
        for what in (func.max(runs.c.id), func.count())
    )
    newest = runs.alias("newest")
    verdict = newest_verdict(newest)
    kind = table.c.kind if of == VALVE else literal("")
    texts = [table.c[name] if of == JOB else literal("") for name in JOB_TEXTS]
    return select(
        table.c.id, _name(of), kind, table.c.notes, count, newest.c.id, newest.c.wall_utc_s,
        verdict, *texts,
    ).select_from(table.outerjoin(newest, newest.c.id == last))  # fmt: skip


def under_way(log: RunLog, of: str, since_utc_s: float, limit: int = 8) -> list[Entry]:
    """Those with a run since `since_utc_s` among the newest LOOKED_THROUGH runs, newest run
    first."""
    key = _key(of)
    newest = (
        select(key.label("entry"), runs.c.id, runs.c.wall_utc_s)
        .where(runs.c.removed_utc_s.is_(None))
        .order_by(runs.c.id.desc())
        .limit(LOOKED_THROUGH)
        .subquery()
    )
    named = (
        select(newest.c.entry)
        .where(newest.c.entry.is_not(None), newest.c.wall_utc_s >= since_utc_s)
        .group_by(newest.c.entry)
    )
    with log._reading() as connection:
        latest = named.order_by(func.max(newest.c.id).desc()).limit(limit)
        numbers = list(connection.execute(latest).scalars())
        rows = connection.execute(_entries(of).where(_table(of).c.id.in_(numbers))).all()
    found = {row[0]: Entry(*row) for row in rows}
    return [found[number] for number in numbers]


def names(log: RunLog, of: str, limit: int) -> list[str]:
    """The names that entered the register last, newest first."""
    query = select(_name(of)).order_by(_table(of).c.id.desc()).limit(limit)
    with log._reading() as connection:
        return list(connection.execute(query).scalars())


def number_of(log: RunLog, of: str, name: str) -> int | None:
    """The register number of a tag or a job's name."""
    with log._reading() as connection:
        found = connection.execute(select(_table(of).c.id).where(_name(of) == name)).scalar()
    return None if found is None else int(found)


def history(log: RunLog, of: str, number: int) -> list[PastRun]:
    """The newest MOST_IN_HISTORY runs of a valve or job, oldest first."""
    bounds, release_bounds = (
        [func.json_extract(results.c.json, f"$.summary.{name}.interval95[{n}]") for n in (0, 1)]
        for name in ("response_ms", "release_ms")
    )
    query: Select[Any] = (
        select(
            *WRITER, runs.c.status,
            runs.c.id, runs.c.wall_utc_s, runs.c.source, runs.c.kind, valves.c.tag, jobs.c.name,
            runs.c.person, runs.c.sheet_name, runs.c.setup_hash, results.c.strokes,
            results.c.verdict, results.c.response_mean_ms, *bounds,
            func.json_extract(results.c.json, "$.of_the_valve.result"), results.c.response_n,
            results.c.release_mean_ms, *release_bounds, results.c.release_n,
        )
        .outerjoin(valves, runs.c.valve_id == valves.c.id)
        .outerjoin(jobs, runs.c.job_id == jobs.c.id)
        .outerjoin(results, results.c.id == latest_result())
        .where(
            _key(of) == number, runs.c.removed_utc_s.is_(None), runs.c.purpose == PURPOSES[0]
        )
        .order_by(runs.c.id.desc())
        .limit(MOST_IN_HISTORY)
    )  # fmt: skip
    with log._reading() as connection:
        rows = connection.execute(query).all()
    found = []
    for pid, started, boot_id, status, number_of_run, utc_s, source, *rest in reversed(rows):
        now = status_now(status, pid, started, boot_id)
        found.append(PastRun(number_of_run, utc_s, source, now, *rest))
    return found


def add(log: RunLog, of: str, name: str, kind: str = "", notes: str = "") -> int:
    """Enter a valve or job; returns its number. Raises UsageError for a name already in use."""
    column = "tag" if of == VALVE else "name"
    values = {column: name, "notes": notes} | ({"kind": kind} if of == VALVE else {})
    try:
        with log._writing() as connection:
            made = connection.execute(_table(of).insert().values(values))
            return int((made.inserted_primary_key or (0,))[0])
    except IntegrityError as error:
        raise UsageError(f'The {of} "{name}" is in the register already.') from error


def describe(
    log: RunLog, of: str, number: int, *, notes: str, kind: str = "", complaint: str = "",
    repair: str = "",
) -> None:  # fmt: skip
    """Write the description of a valve (with its kind) or job (with complaint and repair)."""
    table = _table(of)
    own = {"kind": kind} if of == VALVE else {"complaint": complaint, "repair": repair}
    values = {"notes": notes} | own
    with log._writing() as connection:
        connection.execute(table.update().where(table.c.id == number).values(values))


def problems(
    of: str, name: str, kind: str, notes: str, complaint: str = "", repair: str = ""
) -> list[str]:
    """All problems in what a person wrote; empty if there are none."""
    what = "tag" if of == VALVE else "name"
    found = []
    if not name:
        found.append(f"{what}: empty. Give what is written on the part, or on the job's card.")
    if name != name.strip() or not name.isprintable():
        found.append(f"{what}: spaces at an end, or characters that cannot be printed.")
    for key, text, most in ((what, name, LONGEST_TAG), ("kind", kind, LONGEST_KIND),
                            ("notes", notes, LONGEST_NOTES),
                            ("complaint", complaint, LONGEST_NOTES),
                            ("repair", repair, LONGEST_NOTES)):  # fmt: skip
        if len(text) > most:
            found.append(f"{key}: {len(text)} characters, {most} at most.")
    if not kind.isprintable():
        found.append("kind: characters that cannot be printed.")
    return found


def _table(of: str) -> Table:
    return {VALVE: valves, JOB: jobs}[of]


def _name(of: str) -> Column[str]:
    return valves.c.tag if of == VALVE else jobs.c.name


def _key(of: str) -> Column[int | None]:
    return {VALVE: runs.c.valve_id, JOB: runs.c.job_id}[of]
