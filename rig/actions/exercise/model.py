# SPDX-License-Identifier: MIT
"""A class exercise as stored: the instructor's plan, and one seat's path through it."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from rig.config.plant.fault_names import Fault, fault_of
from rig.diagnosis.findings.model import Finding

TruthAt = Literal["commit", "end"]
Right = Literal["right", "same repair", "same part", "wrong"]
SOUND_WORDS = "nothing at fault"


def cause_words(name: str) -> str:
    """A cause as a person reads it."""
    return SOUND_WORDS if name == "none" else name


class Kept(BaseModel):
    """Stored as JSON; an unknown key means a file of another program."""

    model_config = ConfigDict(extra="forbid")


class Plan(Kept):
    """The instructor's plan. `cause`: None draws one; `severity` likewise. `each_own`: every seat
    has its own rig, else all have the same. `truth_at`: a seat sees the truth when it commits, or
    when the instructor ends the exercise for all."""

    setup_name: str
    setup_text: str
    sheet_name: str
    sheet_text: str
    cause: str | None = None
    severity: float | None = Field(default=None, gt=0.0, le=1.0)
    each_own: bool = False
    causes_shown: bool = False
    reference: bool = True
    truth_at: TruthAt = "commit"
    complaint: str = ""
    seed: int


class KeptFinding(Kept):
    """A finding of a run."""

    name: str
    chances: dict[str, float]
    found: str
    by: str

    @classmethod
    def of(cls, one: Finding) -> KeptFinding:
        return cls(name=one.name, chances=dict(one.chances), found=one.found, by=one.by)

    @property
    def finding(self) -> Finding:
        return Finding(self.name, self.chances, self.found, self.by)


class Step(Kept):
    """One thing that a seat did: a run or a check by hand. `state` and `reading` are of a check;
    `run` is the number in the log, None for a check and for a run that the rig refused (`reading`
    says why). `at_utc_s`: when."""

    kind: Literal["run", "check"]
    name: str
    minutes: float
    at_utc_s: float
    state: str = ""
    reading: str = ""
    run: int | None = None
    verdict: str | None = None
    findings: list[KeptFinding] = Field(default_factory=list)


class Waiting(Kept):
    """A run requested but not done yet."""

    uid: str
    asked_utc_s: float
    begun: bool = False


class WayStep(Kept):
    """One step in the review. `truth`: how likely the true cause was then, `leading` the likeliest
    one, with its probability. `proposed`: what the program would have done instead, empty if the
    same or nothing."""

    words: str
    minutes: float
    found: str
    truth: float
    leading: str
    leading_probability: float
    proposed: str = ""


class Debrief(Kept):
    """The seat's path beside the best one, computed once it committed."""

    right: Right
    way: list[WayStep]
    best: list[WayStep]
    best_clear: bool
    best_from: str


class Committed(Kept):
    """The cause on which the seat decided."""

    cause: str
    at_utc_s: float
    minutes: float


class Seat(Kept):
    """One student, or a group at one screen. `cause` and `severity` are the hidden truth; `seed`
    draws its rig and its runs, `salt` is in its setup's text. `uids`: every run begun for it."""

    cause: str
    severity: float
    seed: int
    salt: str = ""
    steps: list[Step] = Field(default_factory=list)
    waiting: Waiting | None = None
    uids: list[str] = Field(default_factory=list)
    refused: str = ""
    committed: Committed | None = None
    debrief: Debrief | None = None

    @property
    def fault(self) -> Fault | None:
        """None for a sound rig."""
        if self.cause == "none":
            return None
        return fault_of(f"{self.cause}:{self.severity!r}")

    @property
    def minutes(self) -> float:
        return sum(step.minutes for step in self.steps)

    @property
    def runs(self) -> list[Step]:
        return [step for step in self.steps if step.kind == "run"]

    @property
    def checks(self) -> list[Step]:
        return [step for step in self.steps if step.kind == "check"]

    def done(self, check: str) -> Step | None:
        """The step with this check."""
        return next((step for step in self.checks if step.name == check), None)
