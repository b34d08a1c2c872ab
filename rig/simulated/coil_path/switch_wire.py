# SPDX-License-Identifier: MIT
"""The wire between the pressure switch and its input: intact, open, or touching its return."""

from __future__ import annotations

import random

from rig.config.plant.wiring import WiringPart
from rig.simulated.scatter import bounce_offsets

SOUND, OPEN, TOUCHING = 0, 1, 2
FLUTTERS_MAX = 3
"""Most times that a chafed wire makes and breaks again while it is off."""


class SwitchWire:
    """`state` is its state after all returned events. Times in s."""

    def __init__(self, part: WiringPart, rng: random.Random) -> None:
        self._part, self._rng = part, rng
        self.state = {None: SOUND, "open": OPEN, "shorted": TOUCHING}[part.switch_wire]
        self._busy_until_s = 0.0

    def next_upset_s(self, t_s: float) -> float | None:
        """When a chafed wire next opens or touches by itself; None for any other."""
        rate_hz = self._part.switch_wire_rate_hz
        if not rate_hz or self.state != SOUND:
            return None
        return max(t_s, self._busy_until_s) + self._rng.expovariate(rate_hz)

    def upset(self, t_s: float) -> list[tuple[float, int]]:
        """It opens or touches at `t_s` for a moment: (when, state) until sound again."""
        state = OPEN if self._rng.random() < 0.5 else TOUCHING
        length_s = self._part.switch_wire_time_s * self._rng.uniform(0.5, 1.5)
        flutters = bounce_offsets(self._rng, FLUTTERS_MAX, 0.5 * length_s)
        self._busy_until_s = t_s + length_s
        row, now = [(t_s, state)], state
        for offset_s in flutters:
            if offset_s < length_s:
                now = SOUND if now != SOUND else state
                row.append((t_s + offset_s, now))
        row.append((self._busy_until_s, SOUND))
        return row
