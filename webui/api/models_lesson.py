# SPDX-License-Identifier: MIT
"""Models of answers about a lesson: see webui.api.models."""

from __future__ import annotations

from typing_extensions import TypedDict

from rig.core.json_values import JsonObject
from rig.core.records import Source
from webui.api.models import Traces


class Span(TypedDict):
    """From one end to another, and what that took with its uncertainty; null where not known."""

    from_ms: float | None
    to_ms: float | None
    took_ms: float | None
    u95_ms: float | None


class Link(Span):
    """One link of the chain and what it took, null where it was not measured."""

    name: str
    happens: str
    measured: bool
    seen_by: str


class LinksTogether(Span):
    """Links in a row that have one time only together."""

    links: list[str]


class Dip(TypedDict):
    """Where the coil's current shows that the plunger has landed, ms after the command."""

    t_ms: float
    u95_ms: float | None


class Chain(TypedDict):
    """The links of one half of a stroke, and those that have one time only together."""

    links: list[Link]
    together: list[LinksTogether]
    dip: Dip | None


class PartStretch(TypedDict):
    """From one instant to another (null: from the beginning, to the end) a part of the drawing goes
    from one place to another; 0 is not energised."""

    from_ms: float | None
    to_ms: float | None
    from_at: float
    to_at: float
    known: str
    words: str


class DrawnPart(TypedDict):
    """A part of the cut-away drawing: measured, inferred or not measured. `follows` names the lane
    or channel of the traces that shows it from moment to moment."""

    name: str
    known: str
    follows: str | None
    seen_by: str
    stretches: list[PartStretch]


class AskedNext(TypedDict):
    """The half of a stroke to ask about next."""

    stroke: int
    way: str


class LessonAnswer(Chain):
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
    model: JsonObject | None
    drawing: list[DrawnPart]
    why: str | None
    next: AskedNext | None


class ShareAnswer(TypedDict):
    """A shared lesson: `key` moves it, `address` is for the class (null on the loopback only)."""

    code: str
    key: str
    address: str | None
    picture: str | None


class MovedAnswer(TypedDict):
    """Counts the moves."""

    version: int


class EndedAnswer(TypedDict):
    """The lesson is over."""

    ended: bool


class PartGuessed(TypedDict):
    """How many said this part."""

    name: str
    n: int


class TimesGuessed(TypedDict):
    """How many said a time from `from_ms` on and below `to_ms` (null: and more)."""

    from_ms: float
    to_ms: float | None
    n: int


class TallyAnswer(TypedDict):
    """What the class guessed, by nobody's name."""

    n: int
    parts: list[PartGuessed]
    times: list[TimesGuessed]
    median_ms: float | None


class GuessedAnswer(TypedDict):
    """How many have guessed."""

    guesses: int


class PositionAnswer(TypedDict):
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
