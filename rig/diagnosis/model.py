# SPDX-License-Identifier: MIT
"""What a diagnosis says, as models: the JSON of `rig diagnose --json`. Keys are added, never
changed or removed."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

ValveResult = Literal["conforms", "does_not_conform", "not_judged"]


class Said(BaseModel):
    """Base: nothing changes once it is said, numbers are finite."""

    model_config = ConfigDict(
        frozen=True, allow_inf_nan=False, extra="forbid", populate_by_name=True
    )


class CauseFound(Said):
    """One cause. `probability` that it is there, alone or beside another, 0 to 1; `for` and
    `against` in words, the heaviest first."""

    cause: str
    part: str
    probability: float
    speaks_for: tuple[str, ...] = Field(alias="for")
    against: tuple[str, ...]
    repair: str | None


class NextCheck(Said):
    """A check by hand. `gain_bits` it is expected to tell about the causes; `minutes` with what
    must be done before it; `begin_with` names that, itself where nothing is."""

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
    """What a check by hand found that is put right before any other check, and before the sheet is
    run again: no run says anything of the valve with it."""

    check: str
    words: str
    found: str


class RepairFound(Said):
    """Something to do, in the order of probability over minutes."""

    repair: str
    probability: float
    minutes: float


class NotObservable(Said):
    """A finding that these runs could not yield, why, and how many bits it would tell."""

    finding: str
    words: str
    why: str
    gain_bits: float


class FindingSeen(Said):
    """A finding or check as it was seen; `sure` is how likely the state is, 0 to 1."""

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
    """What is said of the valve, only as far as the chain in front of it was shown. `reason`: the
    same as `words` without what to do first."""

    result: ValveResult
    words: str
    reason: str


class Diagnosis(Said):
    """All of it. `undecided`: why no cause can be told, None where one can. `part`: by part of the
    chain, how likely something in it is at fault."""

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
