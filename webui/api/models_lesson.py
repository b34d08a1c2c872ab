# SPDX-License-Identifier: MIT
"""The answers about several runs, about a lesson, and about the bench now: see webui.api.models."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from rig.runlog.search import Source
from webui.api.models import Numbers, OfTheValve, Open, Overlaid, Rule, Summary, Traces, Verdict

# -- several runs


class RunCompared(BaseModel):
    """One of the runs compared."""

    run: int
    valve: str | None
    job: str | None
    by: str | None
    mount: int | None
    status: str
    setup_hash: str | None
    sheet_hash: str | None
    strokes: int
    missed: int
    doubtful: int
    oil_temperature_degc: float | None
    measured: dict[str, Any]
    summary: dict[str, Summary]


class FigureCompared(Open):
    """How far one time lies apart; `equivalent` is null where it was not decided, `real` where
    conditions or mounting may explain it."""

    difference_ms: float
    ci95: Numbers
    p: float | None
    effect_sd: float | None
    equivalent: bool | None
    strokes_needed: int | None
    real: bool | None
    allowed_for: dict[str, Any]


class PairCompared(BaseModel):
    """The first run and another one."""

    before: int
    after: int
    figures: dict[str, FigureCompared | None]
    missed_compared: dict[str, Any]
    oil: str | None
    words: list[str]


class CompareAnswer(PairCompared):
    """As `rig compare --json`: the first two runs on top, all pairs, and a ranking of three or
    more."""

    source: Source
    runs: list[RunCompared]
    figure: str
    difference_ms: float | None
    ci95: Numbers | None
    p: float | None
    effect_sd: float | None
    equivalent: bool | None
    strokes_needed: int | None
    comparisons: list[PairCompared]
    batch: dict[str, Any] | None
    notes: list[str]


class RunNamed(BaseModel):
    """A run and its valve."""

    run: int
    valve: str | None


class CompareOverlayAnswer(BaseModel):
    """`ways`: on and off, each with one overlay a run in the order of `runs`."""

    runs: list[RunNamed]
    ways: dict[str, list[Overlaid]]


# -- a lesson


class Link(BaseModel):
    """One link of the chain and what it took, null where it was not measured."""

    name: str
    happens: str
    measured: bool
    from_ms: float | None
    to_ms: float | None
    took_ms: float | None
    u95_ms: float | None
    seen_by: str


class LinksTogether(BaseModel):
    """Links in a row that have one time only together."""

    links: list[str]
    from_ms: float | None
    to_ms: float | None
    took_ms: float | None
    u95_ms: float | None


class Dip(BaseModel):
    """Where the coil's current shows that the plunger has landed, ms after the command."""

    t_ms: float
    u95_ms: float | None


class PartStretch(BaseModel):
    """From one instant to another (null: from the beginning, to the end) a part of the drawing goes
    from one place to another; 0 is not energised."""

    from_ms: float | None
    to_ms: float | None
    from_at: float
    to_at: float
    known: str
    words: str


class DrawnPart(BaseModel):
    """A part of the cut-away drawing: measured, inferred or not measured. `follows` names the lane
    or channel of the traces that shows it from moment to moment."""

    name: str
    known: str
    follows: str | None
    seen_by: str
    stretches: list[PartStretch]


class AskedNext(BaseModel):
    """The half of a stroke to ask about next."""

    stroke: int
    way: str


class LessonAnswer(BaseModel):
    """One half of a stroke; `model` is the plant's own course of a simulated run, `dip` null where
    the current shows no movement, `why` what this one is worth showing for."""

    run: int
    source: Source
    stroke: int
    strokes: int
    way: str
    marks: list[str]
    answered: bool | None
    settled_ms: float | None
    reference_ms: float
    counts_from: str
    command_ms: float
    traces: Traces
    model: dict[str, Any] | None
    links: list[Link]
    together: list[LinksTogether]
    dip: Dip | None
    drawing: list[DrawnPart]
    why: str | None
    next: AskedNext | None


class ShareAnswer(BaseModel):
    """A shared lesson: `key` moves it, `address` is for the class (null on the loopback only)."""

    code: str
    key: str
    address: str | None
    picture: str | None


class MovedAnswer(BaseModel):
    """Counts the moves."""

    version: int


class EndedAnswer(BaseModel):
    """The lesson is over."""

    ended: bool


class PartGuessed(BaseModel):
    """How many said this part."""

    name: str
    n: int


class TimesGuessed(BaseModel):
    """How many said a time from `from_ms` on and below `to_ms` (null: and more)."""

    from_ms: float
    to_ms: float | None
    n: int


class TallyAnswer(BaseModel):
    """What the class guessed, by nobody's name."""

    n: int
    parts: list[PartGuessed]
    times: list[TimesGuessed]
    median_ms: float | None


class GuessedAnswer(BaseModel):
    """How many have guessed."""

    guesses: int


class PositionAnswer(BaseModel):
    """Where the instructor stands, and for how long. `question` counts the questions; `tally` is
    null until it may be seen."""

    run: int
    version: int
    age_ms: int
    stroke: int
    way: str
    at_ms: float
    slower: int
    playing: bool
    revealed: bool
    model: bool
    question: int
    guesses: int
    shows_tally: bool
    tally: TallyAnswer | None


# -- the bench now


class Check(BaseModel):
    """One thing looked at before the first stroke."""

    name: str
    result: str
    shown: str
    remedy: str


class PreflightFound(BaseModel):
    """What was found before anything was energised."""

    checks: list[Check]
    watched: list[Rule]
    not_watched: list[Rule]
    source: str
    hardware: dict[str, str]
    coil_live: bool
    ready_in_s: float | None


class LiveTrip(BaseModel):
    """A trip as the bench told it; `t_ns` of the bench's own clock."""

    rule: str
    value: float | None
    limit: float | None
    unit: str
    t_ns: int
    message: str


class RunEnded(BaseModel):
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


class Input(BaseModel):
    """An input as it is now; `shown` is null where nothing is known or it is not watched."""

    name: str
    shown: str | None
    age_ms: int | None
    quality: str
    watched: bool


class CourseNow(BaseModel):
    """A fast channel since the stroke's command: lowest and highest reading of each interval of
    `step_ms`, null where none came."""

    unit: str
    step_ms: float
    low: list[float | None]
    high: list[float | None]


class StrokeNow(BaseModel):
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


class RampNow(BaseModel):
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


class LastStroke(BaseModel):
    """The last stroke done."""

    number: int
    answered: bool | None
    response_ms: float | None
    release_ms: float | None


class Band(BaseModel):
    """The sheet's limits of one time, ms."""

    min: float | None
    max: float | None


class LiveRun(BaseModel):
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


class LiveAnswer(BaseModel):
    """What the bench does now. `other`: another program drives it. Keys without a value yet are
    left out; `preflight`, `ended` and `verdict` come as the run goes on. `ready_in_s` counts down
    where the coil has to rest before a start."""

    phase: str
    other: bool
    live: LiveRun | None
    setup: str | None = None
    sheet: str | None = None
    title: str | None = None
    valve: str | None = None
    job: str | None = None
    by: str | None = None
    backend: str | None = None
    look: str | None = None
    rig: str | None = None
    preflight: PreflightFound | None = None
    refused: list[Check] | None = None
    alarm: str | None = None
    ready_in_s: float | None = None
    stopping: str | None = None
    ended: RunEnded | None = None
    verdict: Verdict | None = None
    of_the_valve: OfTheValve | None = None
    message: str | None = None
    recorder: str | None = None
    code: int | None = None
