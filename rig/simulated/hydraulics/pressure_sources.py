# SPDX-License-Identifier: MIT
"""Pressure sources: the valve's own supply, and the hand that raises and lowers one."""

from __future__ import annotations

import math
import random

from rig.config.plant.model import SimulatedRig
from rig.simulated.hydraulics.supply import Supply
from rig.simulated.hydraulics.trajectory import Quiet, Trajectory

SAGS_S = 0.12
RETURNS_S = 0.25
"""How fast the pressure sags when the pickup draws air, and comes back; invented."""


class PressureSources:
    """`inlet` feeds the valve. `hand` is a second supply at the test port, used while `by_hand`;
    with the hand at the inlet it is the inlet itself. Times in s."""

    def __init__(
        self, rig: SimulatedRig, oil: bool, rng: random.Random, gulps: random.Random
    ) -> None:
        """`gulps`: when the pickup draws air, and how much."""
        part = rig.supply
        ripple_kpa = part.ripple_of("oil" if oil else "air")
        phase = rng.uniform(0.0, 2.0 * math.pi)
        frequency_hz = part.ripple_frequency_hz
        self.inlet = Supply(part.pressure_kpa * 1e3, ripple_kpa * 1e3, frequency_hz, phase)
        self.hand = Supply(0.0, 0.0, frequency_hz, 0.0)
        self.by_hand = False
        self._at_inlet = part.hand_port == "inlet"
        self._rate_pa_s = part.hand_rate_kpa_s * 1e3
        self._limit_pa = part.hand_limit_kpa * 1e3
        self._reaction_s = part.hand_reaction_s
        self._orders: list[tuple[float, str]] = []
        self._surge_s = rig.fault_after_s if part.surge_kpa is not None else math.inf
        self._surge_pa = (part.surge_kpa or 0.0) * 1e3
        self._surge_rate_pa_s = part.surge_rate_kpa_s * 1e3
        self._gulps, self._gulp_rate_hz = gulps, part.gulp_rate_hz
        self._gulp_most_pa = part.gulp_depth * part.pressure_kpa * 1e3
        self._whole_pa = part.pressure_kpa * 1e3
        self._sagging = False
        self._gulp_s = math.inf
        if part.gulp_rate_hz and self._gulp_most_pa:
            self._gulp_s = gulps.expovariate(part.gulp_rate_hz)
        self.path = self._supply_path(0.0)
        """Pressure of the supply in use, as a trajectory."""

    @property
    def next_s(self) -> float:
        """When the supply next changes; infinity if never."""
        ordered_s = self._orders[0][0] if self._orders else math.inf
        return min(ordered_s, self._surge_s, self._gulp_s, self.inlet.ends_s, self.hand.ends_s)

    def tell(self, t_s: float, instruction: str) -> None:
        """The person is told at `t_s` and acts one reaction time later."""
        if instruction not in ("raise", "lower", "hold"):
            raise ValueError(f'instruction "{instruction}" is not raise, lower or hold')
        connected = self._at_inlet or self.by_hand or self._orders
        if instruction == "hold" and not connected:
            return  # nothing was connected, and nothing is now
        self._orders.append((t_s + self._reaction_s, instruction))

    def happen(self, t_s: float, pressure_pa: float) -> None:
        """Apply what is due at `t_s`; `pressure_pa` is the gallery's, where the hand connects."""
        for supply in (self.inlet, self.hand):
            supply.settle(t_s)
        if t_s >= self._gulp_s:
            self._gulp(t_s)
        if t_s >= self._surge_s:
            self._surge_s = self._gulp_s = math.inf
            self.inlet.turn(t_s, self._surge_rate_pa_s, self._surge_pa)
        while self._orders and self._orders[0][0] <= t_s:
            self._act(t_s, self._orders.pop(0)[1], pressure_pa)
        self.path = self._supply_path(t_s)

    def _gulp(self, t_s: float) -> None:
        """The pickup has drawn air: the pressure sags, and recovers when oil follows."""
        inlet = self.inlet
        if self._sagging:
            self._sagging = False
            inlet.turn(t_s, (self._whole_pa - inlet.p0_pa) / RETURNS_S, self._whole_pa)
            self._gulp_s = inlet.ends_s + self._gulps.expovariate(self._gulp_rate_hz)
        else:
            self._sagging = True
            sag_pa = self._gulp_most_pa * self._gulps.uniform(0.05, 1.0)
            inlet.turn(t_s, sag_pa / SAGS_S, self._whole_pa - sag_pa)
            self._gulp_s = inlet.ends_s

    def _act(self, t_s: float, instruction: str, pressure_pa: float) -> None:
        if self._at_inlet:
            moved = self.inlet
            self._gulp_s = math.inf  # it is the hand's supply now, not the pump's
        else:
            if not self.by_hand:
                self.by_hand = True
                self.hand.turn(t_s, 0.0, 0.0)
                self.hand.p0_pa = max(pressure_pa, 0.0)
            moved = self.hand
        rate_pa_s = 0.0 if instruction == "hold" else self._rate_pa_s
        moved.turn(t_s, rate_pa_s, self._limit_pa if instruction == "raise" else 0.0)

    def _supply_path(self, t_s: float) -> Trajectory:
        used = self.hand if self.by_hand else self.inlet
        slope = used.slope_pa_s if t_s < used.ends_s else 0.0
        path = Trajectory()
        path.quiet = Quiet(
            t_s, used.mean(t_s), slope, used.ripple_pa, used.omega, used.phase, 0.0, 1.0
        )
        return path
