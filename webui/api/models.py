# SPDX-License-Identifier: MIT
"""Models of the JSON interface's answers: for its OpenAPI document, and for tests.

Views do not pass their answers through these models: that would copy every trace point by point. A
test checks real answers against them instead. Results of analysis are named in rig.core.results.
Times are ms, pressures kPa; an unknown number is null.
"""

from __future__ import annotations

from typing import NotRequired

from typing_extensions import TypedDict

from rig.core.json_values import JsonObject
from rig.core.records import Source
from rig.core.results.behaviour import Numbers, Signal
from rig.core.results.message_id import MessageId
from rig.core.results.run import Condition, Result, Rule
from rig.runlog.search import Status


class SetupNamed(TypedDict):
    """The setup as it stood with the run."""

    name: str
    hash: str


class SheetNamed(TypedDict):
    """The sheet as it stood with the run."""

    name: str | None
    hash: str | None
    kind: str | None


class RunAnswer(TypedDict):
    """One run: header, state and result (null where it could not be worked out)."""

    run: int
    source: Source
    seed: int | None
    status: Status
    started_utc_s: float
    clock_synchronised: bool | None
    ended_utc_s: float | None
    off: str | None
    valve: str | None
    job: str | None
    by: str | None
    mount: int | None
    note: str
    conditions: dict[str, Condition]
    confirmed_by: str | None
    confirmation: str | None
    setup: SetupNamed
    sheet: SheetNamed | None
    hardware: JsonObject
    watched: list[Rule]
    not_watched: list[Rule]
    remark: str
    purpose: str
    records: int
    software: str
    result_saved: bool
    result: Result | None


class Lane(TypedDict):
    """A line that is high or low: `words` for 0 and 1, `level` from each time on."""

    name: str
    label: str
    words: list[str]
    edges: int
    decimated: bool
    t_ms: list[float]
    level: list[int | None]


class Channel(TypedDict):
    """Readings of one channel."""

    name: str
    unit: str
    samples: int
    decimated: bool
    t_ms: list[float]
    value: Numbers


Mark = TypedDict("Mark", {"t_ms": float, "class": str, "id": MessageId, "kind": str, "detail": str})
Mark.__doc__ = "A trip, or what makes the records doubtful; `class` is trip or doubt."


class Traces(TypedDict):
    """A window of a recording, at most 5,000 points a trace."""

    from_ms: float
    to_ms: float
    end_ms: float
    lanes: list[Lane]
    channels: list[Channel]
    marks: list[Mark]


class StrokeShown(TypedDict):
    """The stroke that was asked for, on the run's time axis."""

    number: int
    on_ms: float | None
    off_ms: float | None
    live_ms: float | None
    dead_ms: float | None
    response_ms: float | None
    release_ms: float | None
    response_from_ms: float | None
    release_from_ms: float | None
    marks: list[str]
    mark_ids: list[MessageId]


class TracesAnswer(Traces):
    """`first_stroke`: the number of the first one commanded in the window."""

    run: int
    source: Source
    stroke: StrokeShown | None
    first_stroke: int | None


class ChartLimits(TypedDict):
    """Centre and control limits of the run itself, and the sheet's limits."""

    center: float
    lcl: float
    ucl: float
    signals: list[Signal]
    limits: list[float]


class StrokesAnswer(TypedDict):
    """Strokes as columns; `strokes` counts all, thinned ones too."""

    strokes: int
    charts: dict[str, ChartLimits | None]
    number: list[int]
    answered: list[bool | None]
    response_ms: Numbers
    release_ms: Numbers


class SwitchOfStroke(TypedDict):
    """When the contact changed; `opens` is its level at the beginning."""

    number: int
    opens: int
    t_ms: list[float]


class SwitchOverlaid(TypedDict):
    """Share of strokes with the contact closed, and the strokes drawn one by one."""

    words: list[str]
    share_t_ms: list[float]
    share: list[float]
    drawn: int
    strokes: NotRequired[list[SwitchOfStroke] | None]


class ChannelOverlaid(TypedDict):
    """Readings since the edge, and their 5, 50 and 95 % points over the strokes."""

    name: str
    unit: str
    readings: int
    t_ms: NotRequired[list[float] | None]
    value: NotRequired[list[float] | None]
    band_t_ms: list[float]
    band: list[Numbers]


class Overlaid(TypedDict):
    """All strokes of a run from the coil's edge, or from the command where it was not read back."""

    way: str
    counts_from: str
    from_ms: float
    to_ms: float
    strokes: int
    figure: dict[str, float | None]
    switch: SwitchOverlaid | None
    channels: list[ChannelOverlaid]


class OverlayAnswer(Overlaid):
    """`odd`: strokes that were missed or lie far off."""

    run: int
    source: Source
    odd: list[int]
