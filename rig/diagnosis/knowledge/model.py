# SPDX-License-Identifier: MIT
"""What is known of causes and of what they do to findings and checks: the three files, typed."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Literal, get_args

Part = Literal["oil", "electrics", "valve", "switch", "locking", "rig", "none"]
PARTS: tuple[str, ...] = get_args(Part)
Engine = Literal["off", "idle", "running"]
Wired = Literal["", "gauge", "readback", "oil"]
WIRED: tuple[str, ...] = get_args(Wired)
ENGINES: tuple[str, ...] = get_args(Engine)

SOUND = "none"
"""Nothing in this chain is at fault."""
NONE_OF_THESE = "none of these"
"""A cause that does not stand in the file."""


@dataclass(frozen=True)
class Shown:
    """What can be seen: its states from sound to grave, how often a sound rig shows each (adds up
    to 1), and why. `needs` is what must be wired for it; of a check it is what it takes."""

    name: str
    words: str
    needs: str
    sound: Mapping[str, float]
    because: str

    @property
    def states(self) -> tuple[str, ...]:
        return tuple(self.sound)


@dataclass(frozen=True)
class Check(Shown):
    """A check by hand. `after`: checks that are done first, for safety. `holds_up`: states of this
    one with which it does not count as done for those after it, and with which no run says
    anything of the valve; `put_right`: what is done about them."""

    minutes: float
    engine: str
    after: tuple[str, ...]
    takes_off: str
    how: str
    safety: str
    normal: str
    tells: str
    holds_up: tuple[str, ...] = ()
    put_right: str = ""


READINGS = {
    "coil_ohms": ("resistance",),
    "supply_loaded": ("at_coil", "at_source"),
    "base_gauge": ("pressure",),
    "compression": ("cylinder",),
    "air_test": ("rocker",),
}
"""Checks of which a reading may be given in place of a state."""


@dataclass(frozen=True)
class Effect:
    """What one cause makes of one finding or check: the chance of each state (adds up to 1)."""

    chances: Mapping[str, float]
    because: str


@dataclass(frozen=True)
class Cause:
    """One cause. `weight` is relative to the others, `minutes` of its repair. `only_with`: what
    must be wired for the cause to be there at all, empty where it always can be."""

    name: str
    part: str
    thing: str
    weight: float
    why: str
    repair: str
    minutes: float
    shows: Mapping[str, Effect]
    only_with: str = ""


@dataclass(frozen=True)
class Reasoning:
    """`sound_weight` beside the weights of the causes; `none_of_these` a probability;
    `second_fault` the chance of a second fault beside a first; `strength` the power that each
    likelihood is taken to."""

    sound_weight: float
    none_of_these: float
    second_fault: float
    strength: float


@dataclass(frozen=True, eq=False)
class Knowledge:
    """All of it, compared by identity. `findings` and `checks` by name; no name stands in both."""

    findings: Mapping[str, Shown]
    checks: Mapping[str, Check]
    causes: tuple[Cause, ...]
    reasoning: Reasoning

    def shown(self, name: str) -> Shown:
        """A finding or a check."""
        return self.findings[name] if name in self.findings else self.checks[name]

    def first_done(self, check: Check, finished: Collection[str]) -> list[Check]:
        """What must be done before `check` for safety and is not, in order."""
        found: list[Check] = []

        def add(name: str) -> None:
            other = self.checks[name]
            if name in finished or other in found:
                return
            for earlier in other.after:
                add(earlier)
            found.append(other)

        for name in check.after:
            add(name)
        return found

    def names(self) -> tuple[str, ...]:
        """Every finding and check."""
        return (*self.findings, *self.checks)

    def cause(self, name: str) -> Cause | None:
        """None for "none" and "none of these"."""
        return next((cause for cause in self.causes if cause.name == name), None)

    def part(self, name: str) -> str:
        """The part of a cause by name."""
        cause = self.cause(name)
        return "none" if cause is None else cause.part
