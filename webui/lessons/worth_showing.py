# SPDX-License-Identifier: MIT
"""Which recorded runs are instructive for a class, and why: pure functions of results."""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Literal, NamedTuple

from rig.core.results.run import Result

Stroke = Mapping[str, Any]
Way = Literal["on", "off"]

APART = 1.5
"""A time this many times the usual one can be seen from the back row."""
APART_MS = 5.0
BOUNCE_MS = 2.0
"""A contact that settles later than this after its first edge; a sound one takes less."""


class Question(NamedTuple):
    """One half of a stroke to ask the class about, and the reason."""

    stroke: int
    way: Way
    why: str


class Worth(NamedTuple):
    """A run to teach with: `shows` in two words, and why."""

    run: int
    shows: str
    stroke: int
    way: Way
    why: str


class _Found(NamedTuple):
    shows: str
    weight: float
    """The larger, the better it is seen; compared within one kind alone."""
    question: Question


def questions(result: Result) -> list[Question]:
    """Halves of one run's strokes, from usual to odd, each once: never empty if there are
    strokes."""
    strokes = _strokes(result)
    if not strokes:
        return []
    asked: list[Question] = []
    usual = _usual(result, strokes)
    if usual is not None:
        asked.append(Question(usual["number"], "on", "a stroke like most of this run"))
        asked.append(Question(usual["number"], "off", "the same stroke, going off"))
    asked += [one.question for one in _found(result, strokes)]
    asked += [Question(strokes[0]["number"], way, "the first stroke") for way in ("on", "off")]
    once: dict[tuple[int, Way], Question] = {}
    for one in asked:
        once.setdefault((one.stroke, one.way), one)
    return list(once.values())


def following(asked: Sequence[Question], stroke: int, way: Way) -> Question | None:
    """The question after this one; the first if this is none of them, or is the last."""
    if not asked:
        return None
    places = [n for n, one in enumerate(asked) if (one.stroke, one.way) == (stroke, way)]
    return asked[(places[0] + 1) % len(asked)] if places else asked[0]


def worth_showing(results: Iterable[Result]) -> list[Worth]:
    """From several runs, newest first, the one that shows each thing best."""
    best: dict[str, tuple[float, Worth]] = {}
    for result in results:
        for shows, weight, (stroke, way, why) in _found(result, _strokes(result)):
            if shows not in best or weight > best[shows][0]:
                best[shows] = (weight, Worth(result["run"] or 0, shows, stroke, way, why))
    return [worth for _, worth in best.values()]


def _found(result: Result, strokes: Sequence[Stroke]) -> list[_Found]:
    found: list[_Found | None] = [
        _trip(result, strokes),
        _missed(strokes),
        _bounce(strokes),
        _slowest(result, strokes, "off"),
        _slowest(result, strokes, "on"),
        _after_rest(result, strokes),
        _whole_chain(strokes),
    ]
    return [one for one in found if one is not None]


def _strokes(result: Result) -> list[Stroke]:
    return [one for one in result.get("strokes") or () if one.get("number")]


def _steady(result: Result, strokes: Sequence[Stroke]) -> list[Stroke]:
    rest = set(result.get("rest_strokes") or ())
    return [one for one in strokes if one["number"] not in rest]


def _usual(result: Result, strokes: Sequence[Stroke]) -> Stroke | None:
    """The steady stroke with the median response."""
    known = [one for one in _steady(result, strokes) if one.get("response_ms") is not None]
    ranked = sorted(known, key=lambda one: float(one["response_ms"]))
    return ranked[(len(ranked) - 1) // 2] if ranked else None


def _trip(result: Result, strokes: Sequence[Stroke]) -> _Found | None:
    trip = result.get("trip")
    if not trip or not strokes:
        return None
    why = f"the rig tripped: {trip.get('rule')}. What would have happened without it?"
    return _Found("a trip", 0.0, Question(strokes[-1]["number"], "on", why))


def _missed(strokes: Sequence[Stroke]) -> _Found | None:
    missed = [one["number"] for one in strokes if one.get("answered") is False]
    if not missed:
        return None
    others = len(strokes) - len(missed)
    why = f"the switch did not answer in {len(missed)} of {len(strokes)} strokes"
    return _Found(
        "a missed stroke", min(others, 1) + 1 / len(missed), Question(missed[0], "on", why)
    )


def _bounce(strokes: Sequence[Stroke]) -> _Found | None:
    bounced: list[tuple[float, int, Way]] = []
    halves: tuple[tuple[Way, str, str], ...] = (
        ("on", "first_edge_on_ms", "response_ms"),
        ("off", "first_edge_off_ms", "release_ms"),
    )
    for one in strokes:
        for way, first, settled in halves:
            if one.get(first) is not None and one.get(settled) is not None:
                bounced.append((float(one[settled]) - float(one[first]), one["number"], way))
    longest = max(bounced, default=None)
    if longest is None or longest[0] < BOUNCE_MS:
        return None
    ms, number, way = longest
    return _Found("bounce", ms, Question(number, way, f"the contact bounced for {ms:.1f} ms"))


def _slowest(result: Result, strokes: Sequence[Stroke], way: Way) -> _Found | None:
    time = "release_ms" if way == "off" else "response_ms"
    known = [
        (float(one[time]), one["number"])
        for one in _steady(result, strokes)
        if one.get(time) is not None
    ]
    if len(known) < 3:
        return None
    usual = statistics.median(ms for ms, _ in known)
    longest, number = max(known)
    if longest < APART * usual or longest - usual < APART_MS:
        return None
    shows, does = (
        ("a sticking release", "release") if way == "off" else ("a slow response", "response")
    )
    why = f"this {does} took {longest:.0f} ms, most took {usual:.0f} ms"
    return _Found(shows, longest / max(usual, 0.1), Question(number, way, why))


def _after_rest(result: Result, strokes: Sequence[Stroke]) -> _Found | None:
    rest = set(result.get("rest_strokes") or ())
    usual = _usual(result, strokes)
    after = [one for one in strokes if one["number"] in rest and one.get("response_ms") is not None]
    if usual is None or not after:
        return None
    slowest = max(after, key=lambda one: float(one["response_ms"]))
    excess = float(slowest["response_ms"]) - float(usual["response_ms"])
    if excess < APART_MS:
        return None
    why = f"after a rest it took {excess:.0f} ms longer than most strokes"
    return _Found("a stroke after rest", excess, Question(slowest["number"], "on", why))


def _whole_chain(strokes: Sequence[Stroke]) -> _Found | None:
    """Has coil current and a fast pressure: most parts of the drawing then move as they really
    did."""
    for one in strokes[1:] or strokes:
        current, pressure = one.get("current") or {}, one.get("pressure") or {}
        if current.get("seated_ms") is not None and pressure.get("delay_first_ms") is not None:
            why = "current and pressure were measured: most of the chain can be told apart"
            return _Found("the whole chain", 0.0, Question(one["number"], "on", why))
    return None
