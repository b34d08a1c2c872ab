# SPDX-License-Identifier: MIT
"""Models of answers about the live bench: see webui.api.models."""

from __future__ import annotations

from typing import NotRequired

from typing_extensions import TypedDict

from rig.core.results.behaviour import Numbers
from rig.core.results.message_id import MessageId
from rig.core.results.run import OfTheValve, Rule, Verdict


class Check(TypedDict):
    """One thing looked at before the first stroke. `trip`: whose condition stands."""

    id: MessageId
    name: str
    result: str
    shown: str
    remedy: str
    trip: MessageId | None


class PreflightFound(TypedDict):
    """What was found before anything was energised."""

    checks: list[Check]
    watched: list[Rule]
    not_watched: list[Rule]
    source: str
    hardware: dict[str, str]
    coil_live: bool
    ready_in_s: float | None


class LiveTrip(TypedDict):
    """A trip as the bench told it; `t_ns` of the bench's own clock."""

    id: MessageId
    rule: str
    value: float | None
    limit: float | None
    unit: str
    t_ns: int
    message: str


class RunEnded(TypedDict):
    """How a run that the page drove ended; `off` says what is known of the coil."""

    run: int | None
    code: int
    message: str
    stopped: str
    notes: list[str]
    started: bool
    reason: str | None
    off: str | None
    trip: LiveTrip | None


class Input(TypedDict):
    """An input as it is now; `shown` is null where nothing is known or it is not watched."""

    name: str
    shown: str | None
    age_ms: int | None
    quality: str
    watched: bool


class CourseNow(TypedDict):
    """A fast channel since the stroke's command: lowest and highest reading of each interval of
    `step_ms`, null where none came."""

    unit: str
    step_ms: float
    low: list[float | None]
    high: list[float | None]


class StrokeNow(TypedDict):
    """The stroke under way: points of ms since its command, and value. `lines` are timed lines
    beside coil and switch, by name, with their electrical level; `channels` are the fast ones."""

    number: int
    now_ms: float | None
    command: list[list[float]]
    coil: list[list[float]]
    switch: list[list[float]]
    pressure: list[list[float]]
    lines: dict[str, list[list[float]]]
    channels: dict[str, CourseNow]


class RampNow(TypedDict):
    """A ramp while it goes on: `points` of ms since the first way began, and pressure in kPa;
    `ways` ms and "raise" or "lower"; `changes` of the contact: ms, 1 closed or 0 open, the last
    pressure before. `pace` holds the rate against the two beside it: "right", "too slow" or "too
    fast"; `left_s` is of the way under way."""

    now_ms: float | None
    low_kpa: float
    high_kpa: float
    way: str | None
    left_s: float | None
    rate_kpa_s: float | None
    rate_least_kpa_s: float
    rate_most_kpa_s: float | None
    pace: str | None
    points: list[list[float]]
    ways: list[list[float | str]]
    changes: list[list[float | None]]


class LastStroke(TypedDict):
    """The last stroke done."""

    number: int
    answered: bool | None
    response_ms: float | None
    release_ms: float | None


class Band(TypedDict):
    """The sheet's limits of one time, ms."""

    min: float | None
    max: float | None


class LiveRun(TypedDict):
    """A run while it goes on. `dots`: number, response and release of each stroke done."""

    source: str
    heard_ms_ago: int | None
    step: str | None
    number: int
    of: int | None
    strokes_done: int
    missed: int
    doubtful: int
    left_s: float | None
    commanded_on: bool | None
    coil_live: bool | None
    switch_closed: bool | None
    guide: str
    inputs: list[Input]
    stroke: StrokeNow
    ramp: RampNow | None
    dots: list[Numbers]
    bands: dict[str, Band]
    last: LastStroke | None
    conditions: list[str]
    trip: LiveTrip | None
    lag_s: float | None


class LiveAnswer(TypedDict):
    """What the bench does now. `other`: another program drives it. Keys without a value yet are
    left out; `preflight`, `ended` and `verdict` come as the run goes on. `ready_in_s` counts down
    where the coil has to rest before a start."""

    phase: str
    other: bool
    live: LiveRun | None
    setup: NotRequired[str | None]
    sheet: NotRequired[str | None]
    title: NotRequired[str | None]
    valve: NotRequired[str | None]
    job: NotRequired[str | None]
    by: NotRequired[str | None]
    backend: NotRequired[str | None]
    look: NotRequired[str | None]
    rig: NotRequired[str | None]
    preflight: NotRequired[PreflightFound | None]
    refused: NotRequired[list[Check] | None]
    alarm: NotRequired[str | None]
    ready_in_s: NotRequired[float | None]
    stopping: NotRequired[str | None]
    ended: NotRequired[RunEnded | None]
    verdict: NotRequired[Verdict | None]
    of_the_valve: NotRequired[OfTheValve | None]
    message: NotRequired[str | None]
    recorder: NotRequired[str | None]
    code: NotRequired[int | None]
