# SPDX-License-Identifier: MIT
"""A way from check to check: safe order, the best bits per minute at each step, and its end."""

from __future__ import annotations

import pytest

from rig.diagnosis.check_walk import by_information, is_clear, same_repair, walk
from rig.diagnosis.knowledge.loading import load_knowledge
from rig.diagnosis.knowledge.model import Knowledge
from rig.diagnosis.next_check import CLEAR, GETTING_THERE, next_checks

KNOWLEDGE = load_knowledge()


def told(**states: str) -> dict[str, str]:
    """A sound rig's answers, but for these."""
    found = {name: max(c.sound, key=lambda s: c.sound[s]) for name, c in KNOWLEDGE.checks.items()}
    return {**found, **states}


@pytest.mark.parametrize(
    ("states", "cause"),
    [
        ({"fuse": "open", "supply_loaded": "none", "relay_heard": "relay_only"}, "fuse open"),
        ({"coil_ohms": "open", "relay_heard": "relay_only"}, "open coil"),
        ({"oil_level": "low", "base_gauge": "low"}, "low oil level"),
    ],
)
def test_a_way_ends_at_the_repair(states: dict[str, str], cause: str) -> None:
    way = walk(KNOWLEDGE, {}, None, told(**states), by_information(KNOWLEDGE))
    assert way.clear and same_repair(KNOWLEDGE, way.end, cause)
    before = [way.start, *(step.after for step in way.steps)][:-1]
    assert not any(is_clear(KNOWLEDGE, one) for one in before), "it stops as soon as one is clear"
    done: list[str] = []
    for step in way.steps:
        check = KNOWLEDGE.checks[step.check]
        assert set(check.after) <= set(done), "for safety first"
        assert step.minutes == check.minutes + GETTING_THERE
        done.append(step.check)
    assert way.minutes == sum(KNOWLEDGE.checks[n].minutes + GETTING_THERE for n in done)


def test_each_choice_is_the_best_bits_per_minute() -> None:
    """By weighing every check anew: none left would have told more for its minutes."""
    way = walk(KNOWLEDGE, {}, None, told(), by_information(KNOWLEDGE))
    now, done, n = way.start, [], 0
    while n < len(way.steps):
        ranked = next_checks(KNOWLEDGE, now, done)
        best = max(ranked, key=lambda row: row.gain_bits / row.minutes)
        while way.steps[n].check != best.check.name:  # what comes before it, for safety
            assert way.steps[n].check in chain(KNOWLEDGE, best.check.name)
            done.append(way.steps[n].check)
            n += 1
        now = way.steps[n].after
        done.append(way.steps[n].check)
        n += 1


def chain(knowledge: Knowledge, name: str) -> set[str]:
    """Everything that has to be done before a check."""
    before = knowledge.checks[name].after
    return set(before).union(*(chain(knowledge, one) for one in before))


def test_what_cannot_be_done_is_left_out() -> None:
    few = {name: state for name, state in told().items() if name in ("oil_level", "fuse")}
    way = walk(KNOWLEDGE, {}, None, few, by_information(KNOWLEDGE))
    assert {step.check for step in way.steps} <= set(few)


def test_a_clear_repair_needs_no_check() -> None:
    sure = walk(KNOWLEDGE, {}, None, told(fuse="open"), lambda _found, _done: None)
    assert sure.steps == () and not sure.clear
    assert 0.5 < CLEAR < 1.0
