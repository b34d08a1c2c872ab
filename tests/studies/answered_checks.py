# SPDX-License-Identifier: MIT
"""Checks by hand on a simulated rig, answered by the truth behind it (rig.simulated.hand_answers),
in the program's order and in those that it is held against."""

from __future__ import annotations

import random
from typing import NamedTuple

from rig.config.setup.model import Setup
from rig.diagnosis.check_walk import Choice, same_repair, walk
from rig.diagnosis.knowledge.model import Knowledge
from rig.diagnosis.posterior import Observed
from rig.simulated.hand_answers import Normal, answers

NORMAL = Normal(base_least_kpa=240.0, base_most_kpa=380.0, actuation_kpa=150.0, reset_kpa=110.0)
"""Of the valves drawn here, whatever their own values are."""


def states(setup: Setup, seed: int) -> dict[str, str]:
    """State of each check that this rig allows."""
    return {name: one.state for name, one in answers(setup, seed, NORMAL).items()}


class Walked(NamedTuple):
    """One way to the cause: checks done, minutes, whether a repair was clear, and the ranking."""

    checks: int
    minutes: float
    clear: bool
    right: bool
    ranked: list[str]


def walked_by_hand(
    knowledge: Knowledge, observed: Observed, wired: frozenset[str] | None,
    told: dict[str, str], choose: Choice, cause: str,
) -> Walked:  # fmt: skip
    """Check after check as `choose` names them."""
    way = walk(knowledge, observed, wired, told, choose)
    causes = way.end.causes
    ranked = sorted(causes, key=lambda name: -causes[name])[:3]
    right = same_repair(knowledge, way.end, cause)
    return Walked(len(way.steps), way.minutes, way.clear, right, ranked)


def in_fixed_order(knowledge: Knowledge) -> Choice:
    """Down the list of checks.toml, which begins with what is cheap and safe."""
    return lambda _found, done: next((n for n in knowledge.checks if n not in done), None)


def at_random(knowledge: Knowledge, seed: int) -> Choice:
    """In an order drawn anew for each rig."""
    order = list(knowledge.checks)
    random.Random(seed).shuffle(order)
    return lambda _found, done: next((n for n in order if n not in done), None)
