# SPDX-License-Identifier: MIT
"""Switch states: electrical edges converted to on (pressurised) and off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.config.setup.model import Setup
from rig.core.recording import Bool, Int64, Recording
from rig.core.records import SWITCH

NORMALLY_OPEN, NORMALLY_CLOSED = "normally open", "normally closed"


@dataclass(frozen=True)
class Contact:
    """The contact sense used. `sense` is "normally open", "normally closed" or None (not known);
    `how` says where it comes from; `on_level` is the electrical level of the on state; `rest_on`
    whether the switch was on at rest, None where not known or where rest defines the sense."""

    sense: str | None
    how: str
    on_level: int
    rest_on: bool | None


@dataclass(frozen=True)
class SwitchTrack:
    """Edges of the switch in time order: `t_ns` (n,), `on` (n,) state after the edge, and the
    state before the first edge (None where not known). `half_ns` as in EdgeSeries."""

    t_ns: Int64
    on: Bool
    on_before: bool | None
    contact: Contact
    sorted_here: bool
    half_ns: Int64 | None = None

    def state_before(self, place: int) -> bool | None:
        """The state just before the edge with index `place` (n allowed: after the last)."""
        return bool(self.on[place - 1]) if place > 0 else self.on_before


def rest_instant_ns(recording: Recording) -> int | None:
    """End of the initial rest: the first energise or the first pressure ramp."""
    commands = recording.commands
    times = [int(t) for t in commands.t_ns[commands.on][:1]]
    times += [step.t_ns for step in recording.steps if step.name == "raise"][:1]
    return min(times, default=None)


def contact_told(setup: Setup | None) -> str:
    """The contact sense from the setup; "find" without a setup."""
    return setup.switch.contact if setup else "find"


def switch_track(recording: Recording, told: str) -> SwitchTrack:
    """The switch's states by the contact sense `told`, or by the rest state where that is "find".

    Rest is coil off, before the first energise (or ramp); "find" treats the level there as off.
    """
    edges, start = recording.edges.get(SWITCH), recording.start_level(SWITCH)
    if edges is None:
        t_ns, level, sorted_here = np.zeros(0, np.int64), np.zeros(0, np.int8), False
        half_ns = None
    else:
        t_ns, level, half_ns = edges.t_ns, edges.level, edges.half_ns
        sorted_here = bool((np.diff(t_ns) < 0).any())
        if sorted_here:
            order = np.argsort(t_ns, kind="stable")
            t_ns, level = t_ns[order], level[order]
            half_ns = half_ns[order] if half_ns is not None else None
    rest_ns = rest_instant_ns(recording)
    place = int(np.searchsorted(t_ns, rest_ns, "left")) if rest_ns is not None else 0
    rest = int(level[place - 1]) if place > 0 else start
    contact = _contact(told, rest, recording)
    on_before = None if start is None else start == contact.on_level
    on = level == contact.on_level
    return SwitchTrack(t_ns, on, on_before, contact, sorted_here, half_ns)


def _contact(told: str, rest: int | None, recording: Recording) -> Contact:
    closed = recording.switch_closed_level
    if told != "find":
        on_level = closed if told == NORMALLY_OPEN else 1 - closed
        return Contact(told, "setup", on_level, None if rest is None else rest == on_level)
    if rest is None:
        return Contact(None, "not known", closed, None)
    on_level = 1 - rest
    sense = NORMALLY_OPEN if on_level == closed else NORMALLY_CLOSED
    return Contact(sense, "found from the rest state", on_level, None)
