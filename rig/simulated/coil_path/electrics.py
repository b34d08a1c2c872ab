# SPDX-License-Identifier: MIT
"""Supply, wires, fuse, clamp and coil: the current while the contact closes, bounces and opens.

The current is a series of exponential pieces, each exact between two changes of the contact
(rig.physics.coil, rig.physics.coil_loop), so it costs nothing while nothing changes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from rig.config.plant.parts import ElectricPart
from rig.physics.coil import copper_resistance_ohm, release_time_s, warm_up_k
from rig.physics.coil_loop import Shorted, short_turns, wired_current_stops_at_a


class Piece(NamedTuple):
    """From `start_s` on: `goal_a` + `delta_a` exp(-(t - start_s) * rate_per_s)."""

    start_s: float
    goal_a: float
    delta_a: float
    rate_per_s: float

    def at(self, t_s: float) -> float:
        """Current at `t_s`, which must not be before `start_s`."""
        return self.goal_a + self.delta_a * math.exp((self.start_s - t_s) * self.rate_per_s)


NO_CURRENT = Piece(-math.inf, 0.0, 0.0, 0.0)


def current_at(pieces: Sequence[Piece], t_s: float) -> float:
    """Current at `t_s` from pieces in time order; 0 before the first."""
    for piece in reversed(pieces):
        if t_s >= piece.start_s:
            return piece.at(t_s) if piece.rate_per_s else piece.goal_a
    return 0.0


class CoilCircuit:
    """The current that drives the plunger. Currents are magnetising currents of the whole winding:
    with shorted turns, the ampere-turns that pull, divided by all turns."""

    def __init__(
        self, part: ElectricPart, supply_v: float, resistance_20_ohm: float, ambient_degc: float
    ) -> None:
        self.supply_v = part.supply_voltage_v if part.supply_voltage_v is not None else supply_v
        whole_ohm = part.coil_resistance_ohm
        if whole_ohm is None:
            whole_ohm = resistance_20_ohm
        self.coil: Shorted = short_turns(whole_ohm, part.inductance_h, part.shorted_turns)
        self.wiring_ohm = part.wiring_resistance_ohm + part.fuse_resistance_ohm
        self.clamp_v = part.clamp_voltage_v
        self.ambient_degc = ambient_degc
        self.pieces: list[Piece] = [NO_CURRENT]
        self._heating_k, self._warm_up_s = part.self_heating_k, part.warm_up_time_s
        self._rise_k, self._rise_at_s, self._live = 0.0, 0.0, False

    @property
    def temperature_degc(self) -> float:
        """Value for the coil at the last contact change."""
        return self.ambient_degc + self._rise_k

    def resistance_ohm(self) -> float:
        """Value for the coil at its temperature at the last contact change."""
        return copper_resistance_ohm(self.coil.resistance_ohm, self.temperature_degc)

    def switch(self, changes: Sequence[tuple[float, bool]]) -> list[Piece]:
        """Apply a series of (time in s, circuit live) in order, the contact's bounce included.

        Returns the pieces from the first change on; they replace what was planned after it.
        """
        start_s = changes[0][0]
        current_a = current_at(self.pieces, start_s) / self.coil.turns
        self._warm(start_s, changes[-1][1])
        ohm = self.resistance_ohm()
        # the shorted turns are as warm as the rest
        loop_s = self.coil.loop_time_constant_s * self.coil.resistance_ohm / ohm
        pieces: list[Piece] = []
        last = len(changes) - 1
        for k, (t_s, live) in enumerate(changes):
            end_s = changes[k + 1][0] if k < last else math.inf
            course = self._rise if live else self._decay
            current_a = course(pieces, t_s, end_s, current_a, ohm, loop_s)
        self.pieces = pieces
        return pieces

    def _rise(
        self,
        pieces: list[Piece],
        t_s: float,
        end_s: float,
        start_a: float,
        ohm: float,
        loop_s: float,
    ) -> float:
        total_ohm = ohm + self.wiring_ohm
        rate = 1.0 / (self.coil.inductance_h / total_ohm + loop_s)
        final_a = self.supply_v / total_ohm
        return self._add(pieces, Piece(t_s, final_a, start_a - final_a, rate), end_s)

    def _decay(
        self,
        pieces: list[Piece],
        t_s: float,
        end_s: float,
        start_a: float,
        ohm: float,
        loop_s: float,
    ) -> float:
        inductance_h = self.coil.inductance_h
        stops_a = wired_current_stops_at_a(self.clamp_v, inductance_h, loop_s)
        if start_a > stops_a:
            slowed_h = inductance_h + loop_s * ohm
            against_a = self.clamp_v / ohm
            zero_s = t_s + release_time_s(start_a, stops_a, ohm, slowed_h, self.clamp_v)
            clamped = Piece(t_s, -against_a, start_a + against_a, ohm / slowed_h)
            start_a = self._add(pieces, clamped, min(end_s, zero_s))
            t_s = zero_s
        if t_s >= end_s:
            return start_a
        if loop_s:
            return self._add(pieces, Piece(t_s, 0.0, start_a, 1.0 / loop_s), end_s)
        return self._add(pieces, Piece(t_s, 0.0, 0.0, 0.0), end_s)

    def _add(self, pieces: list[Piece], piece: Piece, end_s: float) -> float:
        turns = self.coil.turns
        pieces.append(
            Piece(piece.start_s, piece.goal_a * turns, piece.delta_a * turns, piece.rate_per_s)
        )
        return piece.at(end_s) if end_s < math.inf else piece.goal_a

    def _warm(self, t_s: float, live: bool) -> None:
        goal_k = self._heating_k if self._live else 0.0
        passed_s = t_s - self._rise_at_s
        self._rise_k = warm_up_k(passed_s, self._rise_k, goal_k, self._warm_up_s)
        self._rise_at_s, self._live = t_s, live
