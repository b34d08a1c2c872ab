# SPDX-License-Identifier: MIT
"""A step of a commissioning, and what it found."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Literal, NamedTuple

from rig.actions.commission.lab import Lab
from rig.actions.commission.record import FAILED, NOT_TRIED, PASSED, Measured, Result
from rig.actions.commission.trial import Trial
from rig.core.preflight import Preflight
from rig.core.recording import Recording

Stage = Literal["at rest", "lamp", "coil"]
"""Nothing energised; a lamp or resistor in the coil's place; the coil itself. In this order."""


class Found(NamedTuple):
    """A step's conclusion, in words and values."""

    result: Result
    words: str
    measured: tuple[Measured, ...] = ()


class Step(NamedTuple):
    """`ask` is what the person does first; empty if there is nothing to do. `remedy` is for a
    failed step."""

    id: str
    title: str
    stage: Stage
    ask: str
    how: str
    limit: str
    remedy: str
    measure: Callable[[Lab], Found]
    needs: Callable[[Lab], str] = lambda _lab: ""
    """Why there is nothing to try on this rig; empty if there is something."""
    ends: bool = False
    """If it fails, nothing more is tried."""


def value(
    name: str, number: float, unit: str, least: float | None = None, most: float | None = None
) -> Measured:
    """A measured value; NaN is kept as unknown, and an unknown is within no limit."""
    kept = round(number, 4) + 0.0 if math.isfinite(number) else None
    return Measured(name=name, value=kept, unit=unit, least=least, most=most)


def judged_by(words: str, measured: Sequence[Measured]) -> Found:
    """Passed if every value is within its limits."""
    held = all(one.held for one in measured)
    return Found(PASSED if held else FAILED, words, tuple(measured))


def said(good: bool, words: str) -> Found:
    """Passed or failed, without a number."""
    return Found(PASSED if good else FAILED, words)


def not_tried(why: str) -> Found:
    """Nothing to try, and why."""
    return Found(NOT_TRIED, why)


def shown(found: Preflight, name: str) -> str:
    """The preflight's words on one check; empty if it has none of that name."""
    return next((check.shown for check in found.checks if check.name == name), "")


def whole(trial: Trial) -> Recording | str:
    """The recording of a completed run; else what happened to it."""
    outcome = trial.outcome
    recording = trial.recording()
    if outcome.trip is not None:
        return f"tripped: {outcome.trip.rule}. {outcome.trip.message}"
    if recording is None or outcome.end is None or outcome.end.reason != "finished":
        return outcome.message or outcome.stopped or "the run did not come to its end"
    return recording


def no_readback(lab: Lab) -> str:
    """Why a step that needs a read-back cannot be tried; empty if one is wired."""
    return "" if lab.setup.readback is not None else "no read-back wired"


def no_gauge(lab: Lab) -> str:
    """The same for a step that needs a pressure."""
    return "" if lab.setup.pressure_source is not None else "no gauge wired"
