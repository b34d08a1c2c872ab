# SPDX-License-Identifier: MIT
"""What a run or a check by hand shows: the state of a finding, and how sure it is."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.analysis.analyse import RunResult
from rig.config.setup.model import Setup
from rig.config.sheet.model import Sheet
from rig.core.recording import Recording

if TYPE_CHECKING:
    from rig.core.results.run import Conditions

BY_HAND = "by hand"
"""`by` of a finding that a check by hand showed, not a run."""


@dataclass(frozen=True)
class RunSeen:
    """A run with everything that findings are derived from. `name` is its name in words,
    `judged_as` its verdict in the log; None: it is worked out, which takes longer than all
    findings."""

    name: str
    recording: Recording
    result: RunResult
    setup: Setup | None
    sheet: Sheet | None
    conditions: Conditions
    judged_as: str | None = None

    @property
    def verdict(self) -> str:
        return self.judged_as or self.result.verdict.result


@dataclass(frozen=True)
class Finding:
    """One finding of one run, or of one check.

    `chances` maps states to their probability given what was seen; they add up to 1. It is empty
    where the finding cannot be observed, and `found` then says why. `by` names the run, or is "by
    hand".
    """

    name: str
    chances: Mapping[str, float]
    found: str
    by: str = ""

    @property
    def observed(self) -> bool:
        return bool(self.chances)

    @property
    def state(self) -> str | None:
        """The most likely state, None where not observed."""
        return max(self.chances, key=lambda name: self.chances[name]) if self.chances else None

    @property
    def sure(self) -> float:
        """Probability of `state`, 0 to 1."""
        return max(self.chances.values(), default=0.0)


PLAIN = 0.995
"""Probability of a state that edges or readings show plainly."""


def seen(name: str, state: str, found: str, sure: float = PLAIN) -> Finding:
    """A state seen plainly; the rest of 1 is shared among all other states."""
    return Finding(name, {state: sure, "": 1.0 - sure}, found)


def hidden(name: str, why: str) -> Finding:
    """Not observable, and why."""
    return Finding(name, {}, why)


def graded(
    name: str,
    ratio: float,
    u_relative: float,
    bounds: Sequence[float],
    states: Sequence[str],
    found: str,
) -> Finding:
    """Compare a figure with its reference: `states[k]` lies between `bounds[k-1]` and `bounds[k]`.

    The probability of each is that of a normal distribution of ln(ratio) with the standard
    deviation `u_relative` (relative standard uncertainty, to first order that of the logarithm).
    """
    if not ratio > 0.0 or not math.isfinite(ratio):
        return hidden(name, "no number to hold against a reference")
    spread = max(u_relative, 1e-3) * math.sqrt(2.0)
    below = [0.5 * (1.0 + math.erf((math.log(b) - math.log(ratio)) / spread)) for b in bounds]
    cumulative = [0.0, *below, 1.0]
    chances: dict[str, float] = {}
    for k, state in enumerate(states):
        chances[state] = chances.get(state, 0.0) + cumulative[k + 1] - cumulative[k]
    return Finding(name, chances, found)
