# SPDX-License-Identifier: MIT
"""The rigs' own times between two runs: what they add to the difference, or why they cancel.

The strokes compared are as read by the rig, m = t + e: e is what the rig itself adds (the switch
input, the read-back, the relay where there is no read-back), common to all strokes of a rig. Its
best estimate is the correction in the budget of each run's mean; its standard uncertainty is that
of all lines of the budget except the repeatability.

- Two runs of one rig as wired have the same e: it cancels, with its uncertainty, however well it is
  known. One rig means: the same setup, or the same wiring where at most one of both has `[timing]`
  (it was measured between the two), or the same measurement in both.
- Otherwise (two rigs, another wiring, one rig measured again since) each run is corrected by its
  own, and both uncertainties are included as independent: nothing shows what two rigs share.

Two rigs that are wired alike and were never measured look like one: measure them.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from rig.analysis.stats.dependence import REPEATABILITY
from rig.core.results.run import Result


class OwnTimes(NamedTuple):
    """What both rigs' own times add to a difference: `shift` (ms, after less before), standard
    uncertainty `u` with `parts` of (u, dof)."""

    shift: float
    parts: tuple[tuple[float, float], ...]

    @property
    def u(self) -> float:
        return math.hypot(*(u for u, _ in self.parts))


def own_times(figure: str, before: Result, after: Result) -> OwnTimes | None:
    """The own times for a figure ("response_ms", "release_ms") of two results. None where they
    cancel or nothing is known of them: in captures, or without a relay delay."""
    if one_rig(before, after):
        return None
    first, second = (one["budget"].get(figure) for one in (before, after))
    if first is None or second is None:
        return None
    parts = tuple(
        (line["part"] or 0.0, math.inf if line["dof"] is None else line["dof"])
        for line in (*first["lines"], *second["lines"]) if line["name"] != REPEATABILITY
    )  # fmt: skip
    return OwnTimes((first["correction"] or 0.0) - (second["correction"] or 0.0), parts)


def one_rig(before: Result, after: Result) -> bool:
    """Whether the rig adds the same in both runs, by the rule above. True for captures, whose
    clocks are unknown."""
    first, second = before.get("timing"), after.get("timing")
    if first is None or second is None:
        return True
    if before.get("setup_hash") is not None and before["setup_hash"] == after.get("setup_hash"):
        return True
    if first["date"] is not None and second["date"] is not None:
        keys = ("date", "run", "response", "release")
        return all(first.get(key) == second.get(key) for key in keys)
    wired = first.get("wired"), second.get("wired")
    return wired[0] is None or wired[0] == wired[1]


def measured(result: Result) -> bool:
    """Whether the rig's own times were measured for this run."""
    timing = result.get("timing")
    return timing is not None and timing["date"] is not None


def best_of_mean(figure: str, result: Result, mean: float) -> float:
    """A mean as read, less the rig's own time where that was measured."""
    budget = result["budget"].get(figure)
    return mean + (budget["correction"] or 0.0 if budget and measured(result) else 0.0)
