# SPDX-License-Identifier: MIT
"""Models of answers about several runs compared: see webui.api.models."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from rig.runlog.search import Source
from webui.api.models import Numbers, Open, Overlaid, Summary


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
    """How far one time lies apart; `equivalent` is null where it was not decided,
    `equivalent_if` what it assumes where it is true; `real` is null where conditions or mounting
    may explain it."""

    difference_ms: float
    ci95: Numbers
    p: float | None
    effect_sd: float | None
    equivalent: bool | None
    equivalent_if: list[str]
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
    equivalent_if: list[str] | None
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
