# SPDX-License-Identifier: MIT
"""What a seat does, what it costs, and what follows from all it has seen."""

from __future__ import annotations

import functools
import time
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rig.actions.exercise.draw import faulty_text
from rig.actions.exercise.model import Step
from rig.config.files.loading import setup_from_text
from rig.core.errors import UsageError
from rig.diagnosis.next_check import GETTING_THERE
from rig.simulated.hand_answers import Answer, answers

if TYPE_CHECKING:
    from rig.actions.exercise.model import Plan, Seat
    from rig.config.setup.model import Setup
    from rig.diagnosis.findings.model import Finding
    from rig.diagnosis.knowledge.model import Check, Knowledge
    from rig.diagnosis.posterior import Posterior

RUNS_MOST = 12
"""Limit for one seat."""


def hidden_setup(plan: Plan, seat: Seat) -> Setup:
    """The rig that the seat works on, with its fault."""
    return _setup_of(faulty_text(plan, seat), plan.setup_name)


@functools.lru_cache(maxsize=64)
def _setup_of(text: str, name: str) -> Setup:
    return setup_from_text(text, name).setup


def answered(plan: Plan, seat: Seat) -> dict[str, Answer]:
    """The result of each check by hand on the seat's rig."""
    return answers(hidden_setup(plan, seat), seat.seed)


def run_minutes(virtual_s: float) -> float:
    """Cost of a run: its own time, rounded up to half minutes, and getting there."""
    return GETTING_THERE + max(1.0, -(-virtual_s // 30.0)) / 2.0


def check_minutes(check: Check) -> float:
    """Cost of a check."""
    return check.minutes + GETTING_THERE


def before(check: Check, seat: Seat, can: Sequence[str]) -> list[str]:
    """Checks that must come before it for safety and were not done."""
    return [name for name in check.after if name in can and seat.done(name) is None]


def do_check(plan: Plan, seat: Seat, name: str, knowledge: Knowledge) -> None:
    """Do a check by hand. Raises UsageError for one that cannot be done now."""
    refuse_committed(seat)
    check, can = knowledge.checks.get(name), answered(plan, seat)
    if check is None or name not in can:
        raise UsageError("This rig has no such check. Choose one of the list.")
    if seat.done(name) is not None:
        return  # a repeat finds the same
    first = before(check, seat, list(can))
    if first:
        words = ", then ".join(knowledge.checks[one].words for one in first)
        raise UsageError(f"Not yet, for safety: first {words}. Nothing was done.")
    found = can[name]
    seat.steps.append(
        Step(
            kind="check", name=name, minutes=check_minutes(check), at_utc_s=time.time(),
            state=found.state, reading=found.reading,
        )
    )  # fmt: skip


def refuse_committed(seat: Seat) -> None:
    """Raise UsageError once the seat has decided."""
    if seat.committed is not None:
        raise UsageError("You have committed to a cause: nothing more is done on this rig.")


def found_words(step: Step) -> str:
    """What a check found, for a person."""
    state = step.state.replace("_", " ")
    return f"{state} ({step.reading})" if step.reading and step.state else state or step.reading


def observed(steps: Sequence[Step], knowledge: Knowledge, setup: Setup) -> list[Finding]:
    """The findings of the newest run, and of every check by hand."""
    from rig.diagnosis.checks_file import ChecksFile, HandCheck, check_findings

    runs = [step for step in steps if step.kind == "run" and step.findings]
    found = [one.finding for step in runs[-1:] for one in step.findings]
    done = tuple(
        HandCheck(check=step.name, found=step.state, note=step.reading)
        for step in steps
        if step.kind == "check"
    )
    return [*found, *check_findings(ChecksFile(check=done), knowledge, setup)]


def causes_of(steps: Sequence[Step], knowledge: Knowledge, setup: Setup) -> Posterior:
    """How likely each cause is, as the diagnosis computes it."""
    from rig.diagnosis.diagnose import wired_in
    from rig.diagnosis.findings.collect import together
    from rig.diagnosis.posterior import posterior

    seen = together(observed(steps, knowledge, setup)).observed
    return posterior(knowledge, seen, wired_in(setup))
