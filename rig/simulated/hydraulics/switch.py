# SPDX-License-Identifier: MIT
"""The pressure switch: actuation and reset with scatter, snap time, bounce, a loose contact."""

from __future__ import annotations

import random

from rig.config.plant.parts import SwitchPart
from rig.simulated.hydraulics.trajectory import Trajectory
from rig.simulated.scatter import bounce_offsets


class PressureSwitch:
    """`closed` is the contact's state after all returned changes. Times in s."""

    def __init__(
        self,
        part: SwitchPart,
        normally_closed: bool,
        rng: random.Random,
        chance: random.Random,
    ) -> None:
        """`chance` decides at which of its changes a stuck contact stays."""
        self._part, self._rng, self._chance = part, rng, chance
        self._normally_closed = normally_closed
        self.pressurised = False
        self._busy_until_s = 0.0
        self.closed = self._contact()
        self._threshold_pa = self._draw()

    def _contact(self) -> bool:
        part = self._part
        if part.stuck is not None and self._chance.random() < part.stuck_share:
            return part.stuck == "closed"
        return self.pressurised != self._normally_closed

    def _draw(self) -> float:
        part = self._part
        middle = part.reset_kpa if self.pressurised else part.actuation_kpa
        # a differential never inverts, however wide the scatter
        spread = min(part.spread_kpa, (part.actuation_kpa - part.reset_kpa) / 8.0)
        return 1e3 * (middle + spread * max(-3.0, min(self._rng.gauss(0.0, 1.0), 3.0)))

    def next_change_s(self, pressure: Trajectory, from_s: float) -> float | None:
        """When `pressure` next moves it, as far as known."""
        start_s = max(from_s, self._busy_until_s)
        if start_s >= pressure.ends_s:
            return None
        return pressure.crosses(start_s, self._threshold_pa, rising=not self.pressurised)

    def change(self, t_s: float) -> list[tuple[float, bool]]:
        """It moves at `t_s`; returns its contact changes (when, closed), bounce included."""
        part = self._part
        self.pressurised = not self.pressurised
        self._threshold_pa = self._draw()
        offsets = bounce_offsets(self._rng, part.bounces_max, part.bounce_time_s)
        first_s = t_s + part.snap_time_s
        self._busy_until_s = first_s + (offsets[-1] if offsets else 0.0)
        closed = self._contact()
        if closed == self.closed:
            return []
        self.closed = closed
        return self._row(first_s, closed, offsets)

    def next_dropout_s(self, t_s: float) -> float | None:
        """When a loose contact next opens by itself; None for a sound or stuck one."""
        rate = self._part.dropout_rate_hz
        if not rate or (self._part.stuck is not None and self._part.stuck_share == 1.0):
            return None
        return t_s + self._rng.expovariate(rate)

    def drop_out(self, t_s: float) -> list[tuple[float, bool]]:
        """A loose contact opens for a moment, if it is closed and at rest."""
        length_s = self._part.dropout_time_s * self._rng.uniform(0.5, 1.5)
        offsets = bounce_offsets(self._rng, self._part.bounces_max // 2, length_s)
        if not self.closed or t_s < self._busy_until_s:
            return []
        back_s = t_s + length_s
        self._busy_until_s = back_s + (offsets[-1] if offsets else 0.0)
        return [(t_s, False), *self._row(back_s, True, offsets)]

    @staticmethod
    def _row(first_s: float, closed: bool, offsets: list[float]) -> list[tuple[float, bool]]:
        row, state = [(first_s, closed)], closed
        for offset_s in offsets:
            state = not state
            row.append((first_s + offset_s, state))
        return row
