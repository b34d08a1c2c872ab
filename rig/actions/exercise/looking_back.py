# SPDX-License-Identifier: MIT
"""A seat's path beside the best one: what the diagnosis would have checked from the same state."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from rig.actions.exercise.draw import offered
from rig.actions.exercise.model import Committed, Debrief, Right, Step, WayStep, cause_words
from rig.actions.exercise.steps import (
    answered,
    causes_of,
    found_words,
    hidden_setup,
    observed,
    refuse_committed,
)
from rig.core.errors import UsageError

if TYPE_CHECKING:
    from rig.actions.exercise.model import Plan, Seat
    from rig.config.setup.model import Setup
    from rig.diagnosis.knowledge.model import Knowledge
    from rig.diagnosis.posterior import Posterior

PATH_MOST = 40
"""Largest number of steps reviewed; a path is shorter."""
ODD_MOST = 3
"""Largest number of findings shown for a run."""


def commit(plan: Plan, seat: Seat, cause: str, knowledge: Knowledge) -> None:
    """Decide on a cause, and review the path. Raises UsageError."""
    refuse_committed(seat)
    if seat.waiting is not None:
        raise UsageError("A run of yours still goes on: wait for what it shows, then commit.")
    setup = hidden_setup(plan, seat)
    if cause not in [name for _, name in offered(setup)]:
        raise UsageError("Choose the cause from the list. Nothing was decided.")
    seat.committed = Committed(cause=cause, at_utc_s=time.time(), minutes=seat.minutes)
    seat.debrief = looked_back(plan, seat, setup, knowledge)


def looked_back(plan: Plan, seat: Seat, setup: Setup, knowledge: Knowledge) -> Debrief:
    """The seat's path and the best one."""
    best, clear, begun = _best(plan, seat, setup, knowledge)
    told = seat.committed.cause if seat.committed is not None else ""
    return Debrief(
        right=judged(told, seat.cause, knowledge),
        way=_way(plan, seat, setup, knowledge),
        best=best,
        best_clear=clear,
        best_from=begun,
    )


def judged(told: str, truth: str, knowledge: Knowledge) -> Right:
    """How close the decision is to the truth."""
    if told == truth:
        return "right"
    one, other = knowledge.cause(told), knowledge.cause(truth)
    if one is None or other is None:
        return "wrong"
    if one.repair == other.repair:
        return "same repair"
    return "same part" if one.part == other.part else "wrong"


def _way(plan: Plan, seat: Seat, setup: Setup, knowledge: Knowledge) -> list[WayStep]:
    from rig.diagnosis.check_walk import is_clear
    from rig.diagnosis.next_check import next_checks

    can, rows = answered(plan, seat), []
    for n, step in enumerate(seat.steps[:PATH_MOST]):
        done = [one.name for one in seat.steps[:n] if one.kind == "check"]
        proposed = ""
        if any(one.findings for one in seat.steps[:n]):  # before a run nothing is compared
            now = causes_of(seat.steps[:n], knowledge, setup)
            not_here = [name for name in knowledge.checks if name not in can]
            ranked = next_checks(knowledge, now, [*done, *not_here])
            if is_clear(knowledge, now):
                proposed = "nothing more: one repair was clear"
            elif not ranked:
                proposed = "nothing more: no check would have changed what to do"
            elif step.name not in (ranked[0].check.name, ranked[0].first.name):
                proposed = ranked[0].first.words
        after = causes_of(seat.steps[: n + 1], knowledge, setup)
        rows.append(
            _row(_words(step, knowledge), step.minutes, _found(step, knowledge), after, seat)
        )
        rows[-1].proposed = proposed
    return rows


def _words(step: Step, knowledge: Knowledge) -> str:
    return "the test" if step.kind == "run" else knowledge.checks[step.name].words


def _found(step: Step, knowledge: Knowledge) -> str:
    """What a step showed; for a run, what a sound rig does not show."""
    if step.kind == "check" or not step.findings:
        return found_words(step)
    odd = odd_of(step, knowledge)
    more = f"; and {len(odd) - ODD_MOST} more" if len(odd) > ODD_MOST else ""
    return "; ".join(odd[:ODD_MOST]) + more if odd else "nothing odd"


def odd_of(step: Step, knowledge: Knowledge) -> list[str]:
    """What a run showed that a sound rig does not."""
    return [
        one.found
        for one in step.findings
        if one.finding.state != knowledge.shown(one.name).states[0]
    ]


def _row(words: str, minutes: float, found: str, after: Posterior, seat: Seat) -> WayStep:
    causes = after.causes
    leading = max(causes, key=lambda name: causes[name])
    return WayStep(
        words=words, minutes=minutes, found=found, truth=round(causes.get(seat.cause, 0.0), 4),
        leading=cause_words(leading), leading_probability=round(causes[leading], 4),
    )  # fmt: skip


def _best(
    plan: Plan, seat: Seat, setup: Setup, knowledge: Knowledge
) -> tuple[list[WayStep], bool, str]:
    """The path by expected information per minute, from the findings of the seat's first run."""
    from rig.diagnosis.check_walk import by_information, walk
    from rig.diagnosis.diagnose import wired_in
    from rig.diagnosis.findings.collect import together

    first = next((step for step in seat.steps if step.findings), None)
    begun = [first] if first is not None else []
    seen = together(observed(begun, knowledge, setup)).observed
    can = answered(plan, seat)
    told = {name: one.state for name, one in can.items()}
    way = walk(knowledge, seen, wired_in(setup), told, by_information(knowledge))
    rows = [
        _row("the test", step.minutes, _found(step, knowledge), way.start, seat) for step in begun
    ]
    for one in way.steps:
        told_words = found_words(
            Step(
                kind="check", name=one.check, minutes=one.minutes, at_utc_s=0.0, state=one.state,
                reading=can[one.check].reading,
            )
        )  # fmt: skip
        words = knowledge.checks[one.check].words
        rows.append(_row(words, one.minutes, told_words, one.after, seat))
    words = f"run {first.run}" if first is not None else "the checks by hand alone"
    return rows, way.clear, words
