# SPDX-License-Identifier: MIT
"""Search runs, page by page: each page begins after the last run of the previous one, so a log of a
hundred thousand runs takes as long as a short one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final, Literal, NamedTuple, cast, get_args

from sqlalchemy import Column, ColumnElement, Connection, FromClause, Select, exists, select, tuple_

from rig.core.errors import UsageError
from rig.core.records import Source
from rig.runlog.header import PURPOSES
from rig.runlog.listing import as_row, latest_result, listed_runs
from rig.runlog.rows import RunRow
from rig.runlog.store import RunLog
from rig.runlog.tables import conditions, jobs, results, runs, tags, valves

Verdict = Literal["conforms", "does_not_conform", "undecided", "not_tested", "none"]
"""A verdict, or none: the run has no result."""
Status = Literal["running", "finished", "tripped", "aborted", "interrupted", "fault"]
Order = Literal[
    "newest", "oldest", "slowest", "fastest", "highest", "lowest", "slowest_release",
    "fastest_release", "most_missed", "fewest_missed", "hottest", "coldest", "valve_up",
    "valve_down",
]  # fmt: skip


class SortedBy(NamedTuple):
    """The sort key of a list: a column of the row (RunRow), descending or ascending."""

    column: str
    down: bool


ORDERS: Final[dict[Order, SortedBy]] = {
    "newest": SortedBy("id", True),
    "oldest": SortedBy("id", False),
    "slowest": SortedBy("response_mean_ms", True),
    "fastest": SortedBy("response_mean_ms", False),
    "highest": SortedBy("response_max_ms", True),
    "lowest": SortedBy("response_max_ms", False),
    "slowest_release": SortedBy("release_mean_ms", True),
    "fastest_release": SortedBy("release_mean_ms", False),
    "most_missed": SortedBy("missed", True),
    "fewest_missed": SortedBy("missed", False),
    "hottest": SortedBy("oil_temperature_degc", True),
    "coldest": SortedBy("oil_temperature_degc", False),
    "valve_up": SortedBy("valve", False),
    "valve_down": SortedBy("valve", True),
}
"""Every order except by number omits runs that lack the value, and runs whose purpose was not to
judge a valve."""
LOOKED_THROUGH, NAMES_MOST, NEAR_MOST = 2000, 50, 6
NO_RESULT = "none"
"""As a verdict: the run was never analysed."""


@dataclass(frozen=True)
class Sought:
    """Search terms; None or empty: anything. Times in seconds UTC, `until` excluded."""

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
    """Runs removed from the list instead of those on it."""
    order: Order = "newest"
    purpose: str | None = None
    """One of rig.runlog.header.PURPOSES."""


class Place(NamedTuple):
    """The last run of a page: its number, and its value in the sort column unless that is the
    number."""

    id: int
    value: float | str | None = None


class Listed(NamedTuple):
    """A run of the list with its tags."""

    row: RunRow
    tags: tuple[str, ...]


def find(
    log: RunLog, sought: Sought, limit: int, after: Place | None = None
) -> tuple[list[Listed], Place | None]:
    """Up to `limit` runs, and where the next page begins (None: this was the last).

    Raises UsageError for an unknown order, verdict or source.
    """
    by = _sorted_by(sought.order)
    _refuse_unknown(sought)
    with log._reading() as connection:
        numbers: list[int] = []
        for query in _pages(_numbers(sought, by, connection), by, after):
            wanted = query.limit(limit + 1 - len(numbers))
            numbers += [row[0] for row in connection.execute(wanted)]
            if len(numbers) > limit:
                break
        more, numbers = len(numbers) > limit, numbers[:limit]
        details = listed_runs().where(runs.c.id.in_(numbers))
        rows = {row.id: row for row in map(as_row, connection.execute(details))}
        tagged = select(tags.c.run_id, tags.c.tag).where(tags.c.run_id.in_(numbers))
        found: dict[int, list[str]] = {}
        for run_id, tag in connection.execute(tagged.order_by(tags.c.tag)):
            found.setdefault(run_id, []).append(tag)
    listed = [Listed(rows[n], tuple(found.get(n, ()))) for n in numbers]
    if not more:
        return listed, None
    last = listed[-1].row
    return listed, Place(last.id, None if by.column == "id" else getattr(last, by.column))


def _sorted_by(order: str) -> SortedBy:
    found = ORDERS.get(cast("Order", order))
    if found is None:
        raise UsageError(f"There is no order {order!r:.20}; there are {', '.join(ORDERS)}.")
    return found


def _refuse_unknown(sought: Sought) -> None:
    """Refuse a word that no run can have: it would look like an empty log."""
    wrong = [
        f"There is no {name} {given!r:.30}; there are {', '.join(get_args(words))}."
        for name, given, words in (
            ("verdict", sought.verdict, Verdict),
            ("source", sought.source, Source),
        )
        if given and given not in get_args(words)
    ]
    if wrong:
        raise UsageError(" ".join(wrong))


OF_RESULT = ("response_mean_ms", "response_max_ms", "release_mean_ms", "missed")


def _numbers(sought: Sought, by: SortedBy, connection: Connection) -> Select[Any]:
    """Query only the numbers: the data of a row is looked up for one page, not for all the rows
    skipped. Names are first resolved to their numbers, so that an index can be used."""
    wanted: list[ColumnElement[bool]] = [
        runs.c.removed_utc_s.is_not(None) if sought.removed else runs.c.removed_utc_s.is_(None)
    ]
    for column, value in (
        (runs.c.person, sought.by), (runs.c.source, sought.source), (runs.c.status, sought.status),
        (runs.c.kind, sought.kind), (runs.c.purpose, sought.purpose),
    ):  # fmt: skip
        if value:
            wanted.append(column == value)
    for column, table, name, value in (
        (runs.c.valve_id, valves, valves.c.tag, sought.valve),
        (runs.c.job_id, jobs, jobs.c.name, sought.job),
    ):
        if value:
            called = _spelled(connection, name, value)[0]
            numbers = select(table.c.id).where(name.in_(called))
            known = [row[0] for row in connection.execute(numbers)] if called else []
            wanted.append(column.in_(known) if len(known) > 1 else column == (*known, -1)[0])
    if sought.tag:
        wanted.append(runs.c.id.in_(select(tags.c.run_id).where(tags.c.tag == sought.tag)))
    if sought.since_utc_s is not None:
        wanted.append(runs.c.wall_utc_s >= sought.since_utc_s)
    if sought.until_utc_s is not None:
        wanted.append(runs.c.wall_utc_s < sought.until_utc_s)
    origin: FromClause = runs
    verdict = sought.verdict if sought.verdict != NO_RESULT else None
    if sought.verdict == NO_RESULT:
        any_of_run = results.alias("any_of_run")
        wanted.append(~exists().where(any_of_run.c.run_id == runs.c.id))
    # Few runs are sorted soonest. Among many, the index of the order must lead, which SQLite does
    # not see without statistics: "+ 0" keeps it from looking up results or valves for each run
    # (https://www.sqlite.org/optoverview.html, 4.1), so that it reads one page and not all of them.
    led = not (sought.valve or sought.job or sought.tag)

    def key(column: Any) -> Any:
        return column + 0 if led else column

    if verdict or by.column in OF_RESULT:
        if by.column in OF_RESULT:
            origin = results.join(runs, runs.c.id == key(results.c.run_id))
            wanted.append(key(results.c.id) == latest_result())
        else:
            origin = results.join(runs, runs.c.id == results.c.run_id)
            wanted.append(results.c.id == latest_result())
        if verdict:
            wanted.append(results.c.verdict == verdict)
    if by.column == "valve":
        origin = origin.join(valves, key(valves.c.id) == runs.c.valve_id)
    elif by.column == "oil_temperature_degc":
        origin = origin.join(conditions, key(conditions.c.run_id) == runs.c.id)
        wanted.append(conditions.c.name == "oil_temperature")
    if by.column != "id":
        wanted.append(runs.c.purpose == PURPOSES[0])
    return select(runs.c.id).select_from(origin).where(*wanted)


def _spelled(connection: Connection, name: Column[str], typed: str) -> tuple[list[str], list[str]]:
    """The names that match `typed` in any case, or only the exact one if it exists; and the longest
    prefixes of `typed` that a name has. Each letter is looked up in the index of names."""

    def from_here(beginning: str) -> str | None:
        query = select(name).where(name >= beginning).order_by(name).limit(1)
        return connection.execute(query).scalar()

    if from_here(typed) == typed:
        return [typed], [typed]
    begun = [""]
    for letter in typed:
        spelt = {one + each for one in begun for each in (letter, letter.lower(), letter.upper())}
        longer = [each for each in sorted(spelt) if (from_here(each) or "").startswith(each)]
        if not longer:
            return [], begun
        begun = longer[:NAMES_MOST]
    return [each for each in begun if from_here(each) == each], begun


def near_valves(log: RunLog, typed: str) -> list[str]:
    """A few tags to suggest if no valve is called `typed`: those with the same beginning, and, of
    the newest valves, those that contain it."""
    tag = valves.c.tag
    newest = select(tag).order_by(valves.c.id.desc()).limit(LOOKED_THROUGH).subquery()
    asked = [
        select(newest.c.tag).where(newest.c.tag.icontains(typed, autoescape=True)).limit(NEAR_MOST)
    ]
    with log._reading() as connection:
        called, begun = _spelled(connection, tag, typed)
        if called:
            return []
        asked += [
            select(tag).where(tag >= one, tag < f"{one}\U0010ffff").order_by(tag).limit(NEAR_MOST)
            for one in begun
            if one
        ]
        found = [row[0] for query in asked for row in connection.execute(query)]
    return list(dict.fromkeys(found))[:NEAR_MOST]


def _pages(query: Select[Any], by: SortedBy, after: Place | None) -> Iterator[Select[Any]]:
    """The query in its order, from where the previous page ended. A place is a pair of value and
    number, compared with an index of the same pair. Valves have no such index with their runs:
    first the rest of the valve at which the previous page ended is queried, then the valves beyond.
    """

    def in_order(*columns: Any) -> Select[Any]:
        return query.order_by(*(each.desc() if by.down else each for each in columns))

    def beyond(column: Any, value: Any) -> Any:
        return column < value if by.down else column > value

    if by.column == "id":
        yield (
            in_order(runs.c.id)
            if after is None
            else in_order(runs.c.id).where(beyond(runs.c.id, after.id))
        )
        return
    value = None if after is None else after.value
    if by.column == "valve":
        ordered = in_order(valves.c.tag, runs.c.id)
        if after is None or value is None:
            yield ordered
            return
        yield ordered.where(valves.c.tag == str(value), beyond(runs.c.id, after.id))
        yield ordered.where(beyond(valves.c.tag, str(value)))
        return
    table = results if by.column in OF_RESULT else conditions
    column = table.c[by.column] if table is results else conditions.c.number
    ordered = in_order(column, table.c.run_id).where(column.is_not(None))
    if after is not None and value is not None:
        pair = tuple_(column, table.c.run_id)
        ordered = ordered.where(beyond(pair, tuple_(_number(value), after.id)))
    yield ordered


def _number(value: float | str) -> float:
    try:
        return float(value)
    except ValueError as error:
        raise UsageError(f"The place {value!r:.20} is no number, as this order needs.") from error


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
