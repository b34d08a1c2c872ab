# SPDX-License-Identifier: MIT
"""Knowledge of causes and their effect on findings and checks: the three files, typed."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar, Literal, get_args

from rig.core.message_ids import message_id

Part = Literal["oil", "electrics", "valve", "switch", "locking", "rig", "none"]
PARTS: tuple[str, ...] = get_args(Part)
Engine = Literal["off", "idle", "running"]
Wired = Literal["", "gauge", "serial gauge", "readback", "oil"]
WIRED: tuple[str, ...] = get_args(Wired)
ENGINES: tuple[str, ...] = get_args(Engine)

SOUND = "none"
"""Nothing in this chain is at fault."""
NONE_OF_THESE = "none of these"
"""A cause that is not in the file."""


@dataclass(frozen=True)
class Shown:
    """Something observable: its states from sound to grave, how often a sound rig shows each (adds
    up to 1), and why. `needs`: what must be wired for it; for a check, what it takes."""

    KIND: ClassVar = "finding"
    name: str
    words: str
    needs: str
    sound: Mapping[str, float]
    because: str

    @property
    def id(self) -> str:
        """Like `finding.first-stroke` or `check.oil-level`."""
        return message_id(type(self).KIND, self.name)

    @property
    def states(self) -> tuple[str, ...]:
        return tuple(self.sound)


@dataclass(frozen=True)
class Check(Shown):
    """A check by hand. `after`: checks to do first, for safety. `holds_up`: states of this check in
    which it does not count as done for those after it, and in which no run says anything about the
    valve; `put_right`: what to do about them."""

    KIND: ClassVar = "check"
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
"""Checks that accept a reading instead of a state."""


@dataclass(frozen=True)
class Effect:
    """Effect of one cause on one finding or check: the probability of each state (adds up to 1)."""

    chances: Mapping[str, float]
    because: str


@dataclass(frozen=True)
class Cause:
    """One cause. `weight` is relative to the others; `minutes` is its repair time. `only_with`:
    what must be wired for the cause to be possible, empty where it always is."""

    name: str
    part: str
    thing: str
    weight: float
    why: str
    repair: str
    minutes: float
    shows: Mapping[str, Effect]
    only_with: str = ""

    @property
    def repair_id(self) -> str:
        """Like `repair.low-oil-level`."""
        return message_id("repair", self.name)


@dataclass(frozen=True)
class Reasoning:
    """`sound_weight` relative to the weights of the causes; `none_of_these` a probability;
    `second_fault` the probability of a second fault beside a first; `strength` the power that each
    likelihood is raised to; `one_severity` the share of cases in which all findings of a
    cause go with one severity."""

    sound_weight: float
    none_of_these: float
    second_fault: float
    strength: float
    one_severity: float = 0.0


@dataclass(frozen=True, eq=False)
class Knowledge:
    """All knowledge, compared by identity. `findings` and `checks` by name; no name is in both."""

    findings: Mapping[str, Shown]
    checks: Mapping[str, Check]
    causes: tuple[Cause, ...]
    reasoning: Reasoning

    def shown(self, name: str) -> Shown:
        """A finding or a check."""
        return self.findings[name] if name in self.findings else self.checks[name]

    def first_done(self, check: Check, finished: Collection[str]) -> list[Check]:
        """Checks still to be done before `check` for safety, in order."""
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
        return self._by_name.get(name)

    @cached_property
    def _by_name(self) -> dict[str, Cause]:
        return {cause.name: cause for cause in self.causes}

    def part(self, name: str) -> str:
        """The part of a cause by name."""
        cause = self.cause(name)
        return "none" if cause is None else cause.part
