# SPDX-License-Identifier: MIT
"""The relay: from the command to its contact, with delay, scatter and bounce."""

from __future__ import annotations

import math
import random
from typing import NamedTuple

from rig.config.plant.parts import RelayPart
from rig.simulated.scatter import GAP_MIN_S, bounce_offsets

DELAY_MIN_S = 0.5e-3

Change = tuple[float, bool]
"""(when in s, closed)"""


class Moves(NamedTuple):
    """Effect of a command: from `cut_s` on, earlier plans are void, and the contact makes these
    `changes`, its bounce included."""

    cut_s: float
    changes: list[Change]


class Relay:
    """The contact follows the last command, one operate or release time later."""

    def __init__(
        self, part: RelayPart, welds_from_s: float, rng: random.Random, chance: random.Random
    ) -> None:
        """`chance` decides which closings fail."""
        self._part, self._rng, self._chance = part, rng, chance
        self._welds_from_s = welds_from_s if part.welds else math.inf
        self._planned: list[Change] = [(-math.inf, False)]
        self._welded = self._tears = False

    def command(self, t_s: float, on: bool) -> Moves | None:
        """Apply a changed command at `t_s`; None if the contact does not respond."""
        part, rng = self._part, self._rng
        mean_s = part.operate_time_s if on else part.release_time_s
        first_s = t_s + max(rng.gauss(mean_s, part.time_spread_s), DELAY_MIN_S)
        misses = on and self._chance.random() < part.misses
        if not on and self._tears and part.weld_holds_s is not None:
            first_s += part.weld_holds_s
        share, most = (1.0, part.bounces_max) if on else (1.0 / 3.0, part.bounces_max // 2)
        offsets = bounce_offsets(rng, most, part.bounce_time_s * share)
        if part.dead or misses or self._welded:
            return None
        planned = self._planned
        while len(planned) > 1 and planned[1][0] <= t_s:
            planned.pop(0)  # long past; the first gives the contact's present state
        kept = [change for change in planned if change[0] < first_s]
        while kept[-1][0] + GAP_MIN_S > first_s:  # not within a nanosecond of another change
            first_s = kept[-1][0] + GAP_MIN_S
            kept = [change for change in planned if change[0] < first_s]
        dropped = len(kept) < len(planned)
        self._planned = kept
        if kept[-1][1] == on and not dropped:
            return None
        welds = on and first_s >= self._welds_from_s
        self._welded = welds and part.weld_holds_s is None
        self._tears = welds
        if kept[-1][1] == on:  # it had not moved yet, and now it will not
            return Moves(first_s, [(first_s, on)])
        changes, state = [(first_s, on)], on
        for offset_s in offsets:
            state = not state
            changes.append((first_s + offset_s, state))
        self._planned += changes
        return Moves(first_s, changes)
