# SPDX-License-Identifier: MIT
"""Queries of the run list: which runs, their order, and the columns shown."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Annotated, Literal, NamedTuple, Self
from urllib.parse import urlencode

from flask import request, session
from pydantic import BaseModel, ConfigDict, Field, model_validator

from rig.config.sheet.model import KINDS
from rig.core.records import Source
from rig.runlog import search
from rig.runlog.search import Listed, Order

if TYPE_CHECKING:
    Kind = str
else:
    Kind = Literal[tuple(KINDS)]

Count = Annotated[int, Field(ge=1, le=2**31 - 1)]
Name = Annotated[str, Field(max_length=200)]
NO_QUESTION = {"after", "mean_ms", "value", "undo"}
"""Parameters that say where a page begins, not what is queried."""


class ListQuestion(BaseModel):
    """A query of the run list; anything else is refused. Dates are local days, both included;
    `after` and `value` say where the previous page ended (`mean_ms` is `value` under its name from
    when only response times could be an order)."""

    model_config = ConfigDict(extra="forbid")
    valve: Name | None = None
    job: Name | None = None
    by: Name | None = None
    tag: Name | None = None
    verdict: search.Verdict | None = None
    source: Source | None = None
    status: search.Status | None = None
    kind: Kind | None = None
    since: date | None = None
    until: date | None = None
    order: search.Order = "newest"
    after: Count | None = None
    mean_ms: Annotated[float, Field(allow_inf_nan=False)] | None = None
    value: Name | None = None
    undo: Annotated[str, Field(pattern="^[0-9]{1,9}(,[0-9]{1,9}){0,200}$")] | None = None

    @model_validator(mode="after")
    def _value_fits_the_order(self) -> Self:
        if self.value is not None and search.ORDERS[self.order].column != "valve":
            try:
                number = float(self.value)
            except ValueError:
                number = math.nan
            if not math.isfinite(number):
                raise ValueError("value is a finite number in this order")
        return self

    @property
    def sought(self) -> search.Sought:
        """The same query for the log."""
        return search.Sought(
            self.valve, self.job, self.by, self.verdict, self.source, self.status, self.kind,
            self.tag, _midnight_s(self.since), _midnight_s(self.until, 1), order=self.order,
        )  # fmt: skip

    @property
    def place(self) -> search.Place | None:
        """Where this page begins."""
        value = self.mean_ms if self.value is None else self.value
        return None if self.after is None else search.Place(self.after, value)

    @property
    def narrowed(self) -> dict[str, str]:
        """The query without the position in the list."""
        given = self.model_dump(exclude_none=True, exclude=NO_QUESTION, mode="json")
        return {key: str(value) for key, value in given.items() if value != "newest"}


def _midnight_s(day: date | None, days_later: int = 0) -> float | None:
    if day is None:
        return None
    try:
        local = datetime.combine(day + timedelta(days=days_later), datetime.min.time())
        return local.astimezone().timestamp()
    except (OverflowError, ValueError, OSError):
        return None  # a year outside the computer's range: no limit


class Column(NamedTuple):
    """A selectable column: heading with its unit, and the orders for the first and second tap on
    it."""

    key: str
    heading: str
    orders: tuple[Order, Order] | None = None


RUN = Column("run", "Run", ("newest", "oldest"))
"""Always there, as verdict and source are."""
COLUMNS = (
    Column("valve", "Valve", ("valve_up", "valve_down")),
    Column("started", "Started, local time"),
    Column("kind", "Sheet"),
    Column("strokes", "Strokes"),
    Column("missed", "Missed", ("most_missed", "fewest_missed")),
    Column("response", "Response, ms", ("slowest", "fastest")),
    Column("max", "Longest, ms", ("highest", "lowest")),
    Column("release", "Release, ms", ("slowest_release", "fastest_release")),
    Column("oil", "Oil, °C", ("hottest", "coldest")),
    Column("status", "State"),
    Column("job", "Job"),
    Column("by", "By"),
    Column("tags", "Tags"),
)
KEYS = tuple(column.key for column in COLUMNS)
USUAL = ("valve", "started", "strokes", "missed", "response", "job")
USUAL_WORD = "usual"


def with_something_to_say(listed: Sequence[Listed]) -> list[str]:
    """Columns shown by default, unless every row says the same in them."""
    rows = [one.row for one in listed]
    found = {
        "kind": any(row.kind not in (None, "strokes") for row in rows),
        "status": any(row.status != "finished" for row in rows),
        "tags": any(one.tags for one in listed),
    }
    return [key for key, says in found.items() if says]


class PageQuestion(ListQuestion):
    """The query with the columns to show, by key; None: the default ones."""

    columns: list[Literal[KEYS]] | None = None  # type: ignore[valid-type]

    @property
    def asked(self) -> dict[str, object]:
        """Parameters that a link to the same list must carry."""
        return {**self.narrowed, **({"columns": self.columns} if self.columns else {})}

    @property
    def narrowed(self) -> dict[str, str]:
        """As in ListQuestion: columns do not filter anything."""
        found = super().narrowed
        found.pop("columns", None)
        return found

    @property
    def address(self) -> str:
        """The query as in the page's address after the question mark."""
        return urlencode(self.asked, doseq=True)

    def shown(self, listed: Sequence[Listed]) -> list[Column]:
        """This page's columns in order; always includes the one it is sorted by."""
        wanted = self.columns or [*USUAL, *with_something_to_say(listed)]
        return [one for one in COLUMNS if one.key in wanted or self.sorted_as(one)]

    def next_order(self, column: Column) -> Order:
        """The order selected by tapping a heading."""
        first, second = column.orders or ("newest", "oldest")
        return second if self.order == first else first

    def sorted_as(self, column: Column) -> str:
        """ascending, descending, or empty if the list is sorted otherwise."""
        if column.orders is None or self.order not in column.orders:
            return ""
        return "descending" if search.ORDERS[self.order].down else "ascending"


def asked_of_the_list() -> PageQuestion:
    """The query of this request; an empty field does not filter. Chosen columns are remembered in
    this browser until others, or the default ones, are chosen."""
    given: dict[str, object] = {k: v for k, v in request.args.to_dict().items() if v.strip()}
    if "columns" in given:
        chosen = [] if given["columns"] == USUAL_WORD else request.args.getlist("columns")
        given["columns"] = chosen or None
        asked = PageQuestion.model_validate(given)
        session["columns"] = asked.columns
        return asked
    remembered = [key for key in session.get("columns") or () if key in KEYS]
    return PageQuestion.model_validate({**given, "columns": remembered or None})
