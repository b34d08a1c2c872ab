# SPDX-License-Identifier: MIT
"""Models of a diagnosis: the JSON of `rig diagnose --json`. Keys are added, never changed or
removed."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

ValveResult = Literal["conforms", "does_not_conform", "not_judged"]


class Said(BaseModel):
    """Base: immutable, with finite numbers."""

    model_config = ConfigDict(
        frozen=True, allow_inf_nan=False, extra="forbid", populate_by_name=True
    )


class CauseFound(Said):
    """One cause. `probability` that it is present, alone or beside another, 0 to 1; `for` and
    `against` in words, the heaviest first."""

    id: str
    cause: str
    part: str
    probability: float
    speaks_for: tuple[str, ...] = Field(alias="for")
    against: tuple[str, ...]
    repair: str | None
    repair_id: str | None


class NextCheck(Said):
    """A check by hand. `gain_bits`: its expected information about the causes; `minutes` includes
    what must be done before it; `begin_with` names that, or this check where nothing comes before
    it."""

    id: str
    check: str
    words: str
    gain_bits: float
    minutes: float
    why: str
    begin_with: str
    engine: str
    needs: str
    takes_off: str
    how: str
    safety: str
    normal: str
    states: tuple[str, ...]


class PutRight(Said):
    """A state found by a check by hand that must be put right before any other check, and before
    the sheet is run again: with it, no run says anything about the valve."""

    id: str
    check: str
    words: str
    found: str


class RepairFound(Said):
    """A repair, in order of probability over minutes."""

    id: str
    repair: str
    probability: float
    minutes: float


class NotObservable(Said):
    """A finding that these runs could not yield, the reason, and how many bits it would give."""

    id: str
    finding: str
    words: str
    why: str
    gain_bits: float


class FindingSeen(Said):
    """A finding or check as observed; `sure` is the probability of the state, 0 to 1."""

    id: str
    finding: str
    words: str
    state: str
    sure: float
    found: str
    by: str


class PairFound(Said):
    """Two causes at once."""

    causes: tuple[str, str]
    probability: float


class OfTheValve(Said):
    """What may be said about the valve, only as far as the chain in front of it was shown.
    `reason`: the same as `words` without what to do first."""

    result: ValveResult
    words: str
    reason: str


class Diagnosis(Said):
    """The whole diagnosis. `undecided`: why no cause can be told, None where one can. `part`: by
    part of the chain, the probability that something in it is at fault."""

    source: str
    runs: tuple[str, ...]
    causes: tuple[CauseFound, ...]
    next: tuple[NextCheck, ...]
    undecided: str | None
    not_observable: tuple[NotObservable, ...]
    contradictions: tuple[str, ...]
    pairs: tuple[PairFound, ...]
    part: dict[str, float]
    repairs: tuple[RepairFound, ...]
    valve: OfTheValve
    findings: tuple[FindingSeen, ...]
    put_right: PutRight | None = None
