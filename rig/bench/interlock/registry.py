# SPDX-License-Identifier: MIT
"""Every rule of the interlock; which are watched on a rig as wired, and the slowest reaction."""

from __future__ import annotations

from typing import NamedTuple, get_args

from rig.bench.interlock import coil_and_program_rules, gauge_rules, sensor_rules
from rig.bench.interlock.rule import TICK_S, Group, Rule
from rig.config.setup.model import Setup
from rig.core.message_ids import Message, message_id

RULES: tuple[Rule, ...] = tuple(
    sorted(
        (*coil_and_program_rules.RULES, *gauge_rules.RULES, *sensor_rules.RULES),
        key=lambda rule: get_args(Group).index(rule.group),
    )
)
BY_NAME = {rule.name: rule for rule in RULES}


class Watch(NamedTuple):
    """A rule, whether its sensor is there, and its slowest reaction: from the condition to the
    relay line commanded off, including gauge period and allowed delay, milliseconds; None where it
    is not watched, or a circuit does it."""

    rule: Rule
    watched: bool
    reaction_ms: float | None
    why: str


def watched(setup: Setup) -> list[Watch]:
    """Every rule of the bench for this setup, watched or not."""
    return [_watch(rule, setup) for rule in RULES if rule.group != "guard"]


def _watch(rule: Rule, setup: Setup) -> Watch:
    seconds, why = rule.reaction(setup)
    if seconds is None or rule.action == "hardware":
        return Watch(rule, seconds is not None, None, why)
    return Watch(rule, True, 1e3 * (seconds + TICK_S), why)


def of_heat(rule: str) -> bool:
    """Whether the coil must cool before a trip of this rule is cleared."""
    return rule in BY_NAME and BY_NAME[rule].of_heat


def after_trip(rule: str) -> Message:
    """What to look at first after `rule` tripped; a rule of another version is not an error."""
    known = BY_NAME.get(rule)
    first = (known and known.first) or "read what the trip says and put it right"
    return Message(message_id("advice", rule), f"{first}; then `rig clear`")
