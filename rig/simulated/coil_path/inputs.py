# SPDX-License-Identifier: MIT
"""The input circuits between the wiring and the board's lines: their lag, and the loop that
measures it (`rig calibrate --timing`)."""

from __future__ import annotations

import random
from collections.abc import Callable

from rig.config.plant.model import SimulatedRig
from rig.config.plant.wiring import WiringPart
from rig.core.records import READBACK
from rig.simulated.coil_path.relay import Change

RESISTOR_H = 1e-5
NEVER_A = 50.0
"""No current of a rig moves the plunger then."""


def with_resistor(rig: SimulatedRig) -> SimulatedRig:
    """With the loop wired, a resistor of the coil's resistance replaces the coil: hardly any
    inductance, and no plunger that moves."""
    if not rig.wiring.timing_loop:
        return rig
    electric = rig.electric.model_copy(update={"inductance_h": RESISTOR_H})
    plunger = rig.plunger.model_copy(update={"pull_in_current_a": NEVER_A})
    return rig.model_copy(update={"electric": electric, "plunger": plunger})


class TimingLoop:
    """The load side drives the switch input instead of the pressure switch."""

    def __init__(self, coil_live: Callable[[bool], bool], normally_closed: bool) -> None:
        self._coil_live, self._normally_closed = coil_live, normally_closed

    def closed(self, relay_closed: bool) -> bool:
        """What the switch input sees as its contact: on while the coil would be live."""
        return self._coil_live(relay_closed) != self._normally_closed


class InputLags:
    """Edges reach the board later than they happen. Times in s; the arguments are contact changes,
    and results are in order: a change that reverses before it has come through is not seen."""

    def __init__(self, part: WiringPart, rng: random.Random) -> None:
        self._part, self._rng = part, rng

    def least_s(self, line: str) -> float:
        """The shorter of the two lags of a line."""
        part = self._part
        if line == READBACK:
            return min(part.readback_lag_live_s, part.readback_lag_dead_s)
        return min(part.switch_lag_close_s, part.switch_lag_open_s)

    def readback(self, changes: list[Change], live: Callable[[bool], bool]) -> list[Change]:
        """Changes of the relay's contact; `live` says whether the coil then is."""
        part = self._part
        return self._late(
            changes,
            lambda closed: part.readback_lag_live_s if live(closed) else part.readback_lag_dead_s,
        )

    def switch(self, changes: list[Change]) -> list[Change]:
        """Changes of the switch's contact."""
        part = self._part
        return self._late(
            changes, lambda closed: part.switch_lag_close_s if closed else part.switch_lag_open_s
        )

    def _late(self, changes: list[Change], lag_s: Callable[[bool], float]) -> list[Change]:
        spread_s, seen = self._part.lag_spread_s, list[Change]()
        for t_s, closed in changes:
            late_s = lag_s(closed)
            if spread_s:
                late_s = max(late_s + self._rng.gauss(0.0, spread_s), 0.0)
            if seen and t_s + late_s <= seen[-1][0]:
                seen.pop()  # it went back before that one had come through
            else:
                seen.append((t_s + late_s, closed))
        return seen
