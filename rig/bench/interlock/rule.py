# SPDX-License-Identifier: MIT
"""What a rule of the interlock is: everything that is said of it anywhere, in one entry.

An entry stands at the end of the module that holds the rule's function. The bench's preflight, `rig
check`, `rig clear`, the advice after a trip and the help read it there.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, NamedTuple

from rig.config.analog.channels import sources
from rig.config.setup.model import Setup
from rig.core.message_ids import trip_id

TICK_S = 0.020
"""The interlock's own tick: it runs even when nothing arrives."""

Group = Literal["coil", "pressure", "channel", "loop", "program", "guard"]
"""Order of the list; "guard" is what the desk latches when the bench is lost."""


class Finding(NamedTuple):
    """A rule that no longer holds, with what a person needs to know. `unit` applies to `value` and
    `limit`; each is None if the rule has no such number."""

    rule: str
    value: float | None
    limit: float | None
    unit: str
    message: str

    @property
    def id(self) -> str:
        """Like `trip.over-pressure`."""
        return trip_id(self.rule)


class Reaction(NamedTuple):
    """From the condition to the interlock's next tick, seconds, and by what; None where the rule is
    not watched, and why."""

    seconds: float | None
    why: str


class Rule(NamedTuple):
    """One rule. `name` stands in records and never changes; the trip's id is made of it. `limits`
    are fields of Limits; `needs` and `acts` (when) are the help's words; `first` is what to look at
    after its trip.

    `action` is what it does: "trip" (off, latched, a person clears), "end" (off, run kept) or
    "hardware" (a circuit does it). `of_heat`: cleared only once the coil has cooled. `channel` is
    judged by `judge(value, *limits)`. Preflight refuses to start while the condition of a watched
    rule stands.
    """

    name: str
    group: Group
    needs: str
    acts: str
    first: str
    reaction: Callable[[Setup], Reaction]
    limits: tuple[str, ...] = ()
    action: Literal["trip", "end", "hardware"] = "trip"
    of_heat: bool = False
    channel: str = ""
    judge: Callable[..., Finding | None] | None = None

    @property
    def id(self) -> str:
        """Like `trip.over-pressure`."""
        return trip_id(self.name)

    def set_limits(self, setup: Setup) -> list[float | None]:
        """The limits as the setup has them."""
        return [getattr(setup.limits, name) for name in self.limits]


def when(seconds: float | None, why: str, absent: str = "") -> Reaction:
    """`why` where there are seconds, else `absent`."""
    return Reaction(seconds, absent if seconds is None else why)


def channel_rule(
    name: str,
    channel: str,
    limits: tuple[str, ...],
    judge: Callable[..., Finding | None],
    *,
    acts: str,
    first: str,
) -> Rule:
    """A rule on one reading of a channel."""
    plain = channel.replace("_", " ")

    def reaction(setup: Setup) -> Reaction:
        source = sources(setup).get(channel)
        if source is None:
            return Reaction(None, f"no {plain} sensor in the setup")
        if all(limit is None for limit in rule.set_limits(setup)):
            return Reaction(None, f"no limit of {plain} in the setup")
        why = f"one reading of the {source.name}, and its latency"
        return Reaction(source.period_s + source.latency_s, why)

    rule = Rule(
        name, "channel", "a sensor", acts, first, reaction, limits, channel=channel, judge=judge
    )
    return rule
