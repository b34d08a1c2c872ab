# SPDX-License-Identifier: MIT
"""What a current sensor in the coil's own lead shows while the plunger moves.

The state is the flux linkage f of the turns that are wired, with R the resistance of the circuit:

    df/dt = (V - R f / L(x)) / (1 + R c),   i = f / L(x) + c df/dt

L(x) grows as the plunger closes the gap, so the current dips while it moves; c = tau2 / L1 belongs
to shorted turns and is 0 for a sound coil (rig.physics.coil_loop, with an L that changes). While
the contact is open V is the clamp's, against the current, until that is zero.

A simplification, said openly: the plunger moves by the current without this drop (plunger.py), and
its pull does not follow from L(x). The instants at which it leaves and lands are the plant's own.
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Sequence
from typing import NamedTuple

from rig.simulated.coil_path.electrics import CoilCircuit
from rig.simulated.coil_path.plunger import Plunger

STEP_S = 40e-6
"""In flight; L is taken as constant, at its middle, over each step."""

KEPT_PARTS = 400
"""Of the course before the last change of the contact."""


class Part(NamedTuple):
    """From `start_s` on: i = `level_a` + `slope_a_s` (t - start) + `delta_a` exp(-rate (t -
    start)); the flux linkage goes to `goal_vs` from `flux_vs` with the same rate."""

    start_s: float
    level_a: float
    slope_a_s: float
    delta_a: float
    rate_per_s: float
    goal_vs: float
    flux_vs: float

    def current_a(self, t_s: float) -> float:
        passed = t_s - self.start_s
        i = self.level_a + self.slope_a_s * passed
        return i + self.delta_a * math.exp(-self.rate_per_s * passed) if self.delta_a else i

    def flux(self, t_s: float) -> float:
        if self.flux_vs == self.goal_vs:
            return self.goal_vs
        fall = math.exp(-self.rate_per_s * (t_s - self.start_s))
        return self.goal_vs + (self.flux_vs - self.goal_vs) * fall


LONG_AGO_S = -1e9
NOTHING = Part(LONG_AGO_S, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


class CoilCurrent:
    """The current in the coil's lead, replanned at every change of the contact."""

    def __init__(self, circuit: CoilCircuit, plunger: Plunger, growth: float) -> None:
        """`growth`: increase of the inductance from at rest to pulled in, as a fraction."""
        self._circuit, self._plunger = circuit, plunger
        gap, travel = plunger.gap_m, plunger.travel_m
        rest_h = circuit.coil.inductance_h
        # an iron circuit in series with a gap: L = rest + b (1 / (G - x) - 1 / G)
        self._b = growth * rest_h / (1.0 / (gap - travel) - 1.0 / gap)
        self._rest_h = rest_h - self._b / gap
        self._gap_m = gap
        self._c = circuit.coil.loop_time_constant_s / rest_h * self._cold_to_now()
        self._parts: list[Part] = [NOTHING]
        self._starts: list[float] = [LONG_AGO_S]

    def _cold_to_now(self) -> float:
        """The shorted turns are as warm as the rest."""
        return self._circuit.coil.resistance_ohm / self._circuit.resistance_ohm()

    def at(self, t_s: float) -> float:
        """Current (A) at `t_s`, from a little before the last change of the contact on."""
        return self._parts[bisect.bisect_right(self._starts, t_s) - 1].current_a(t_s)

    def follow(self, changes: Sequence[tuple[float, bool]]) -> None:
        """Plan for a series of (time in s, circuit live), after circuit and plunger have
        planned."""
        start_s = changes[0][0]
        place = bisect.bisect_right(self._starts, start_s) - 1
        flux = self._parts[place].flux(start_s)
        self._c = (
            self._circuit.coil.loop_time_constant_s / self._circuit.coil.inductance_h
        ) * self._cold_to_now()
        # keep a little history for queries into the past
        self._parts = self._parts[max(place + 1 - KEPT_PARTS, 0) : place + 1]
        for k, (t_s, live) in enumerate(changes):
            end_s = changes[k + 1][0] if k + 1 < len(changes) else math.inf
            flux = self._course(t_s, end_s, flux, live)
        self._starts = [part.start_s for part in self._parts]

    def _course(self, t_s: float, end_s: float, flux: float, live: bool) -> float:
        """Plan from `t_s` to `end_s`; returns the flux linkage there."""
        coil_ohm = self._circuit.resistance_ohm()
        ohm = coil_ohm + (self._circuit.wiring_ohm if live else 0.0)
        volt = self._circuit.supply_v if live else -self._circuit.clamp_v
        blocked = False
        for from_s, to_s in self._spans(t_s, end_s):
            at_s = from_s
            while at_s < to_s:
                if not live and not blocked and self._wired_a(flux, at_s, volt, ohm) <= 0.0:
                    blocked = True
                step_s = min(to_s, at_s + STEP_S) if self._flies(from_s, to_s) else to_s
                if not live and not blocked:
                    step_s = min(step_s, at_s + self._dies_s(flux, at_s, volt, ohm))
                flux = self._add(at_s, step_s, flux, volt, ohm, blocked)
                if step_s <= at_s + 1e-12:  # the clamp has just brought it to zero
                    blocked = True
                    step_s = at_s
                at_s = step_s
        return flux

    def _spans(self, t_s: float, end_s: float) -> list[tuple[float, float]]:
        """[t_s, end_s) split at the plunger's flights."""
        cuts = {t_s, end_s}
        for a, b in self._flights():
            cuts.update(at for at in (a, b) if t_s < at < end_s)
        row = sorted(cuts)
        return list(itertools.pairwise(row))

    def _flights(self) -> list[tuple[float, float]]:
        found: list[tuple[float, float]] = []
        for a, b in itertools.pairwise(self._plunger.nodes):
            if a.x_m != b.x_m or a.v_m_s or b.v_m_s:
                if found and found[-1][1] == a.t_s:
                    found[-1] = (found[-1][0], b.t_s)
                else:
                    found.append((a.t_s, b.t_s))
        return found

    def _flies(self, from_s: float, to_s: float) -> bool:
        return any(a < to_s and b > from_s for a, b in self._flights())

    def _inductance_h(self, t_s: float) -> float:
        return self._rest_h + self._b / (self._gap_m - self._plunger.at(t_s).x_m)

    def _wired_a(self, flux: float, t_s: float, volt: float, ohm: float) -> float:
        """Current in the lead with `volt` across the circuit."""
        i = flux / self._inductance_h(t_s)
        return i + self._c * (volt - ohm * i) / (1.0 + ohm * self._c)

    def _dies_s(self, flux: float, t_s: float, volt: float, ohm: float) -> float:
        """Time until the clamp has brought the current to zero, with the present L."""
        # zero where flux / L = c Vc: both sides of i = f / L + c df/dt, rearranged
        henry = self._inductance_h(t_s)
        goal, last = volt * henry / ohm, -volt * henry * self._c
        rate = ohm / (henry * (1.0 + ohm * self._c))
        if not flux > last:
            return 0.0
        return math.log((flux - goal) / (last - goal)) / rate

    def _add(
        self, t_s: float, to_s: float, flux: float, volt: float, ohm: float, blocked: bool
    ) -> float:
        """One segment with L at its midpoint value; returns the flux linkage at its end."""
        passed = to_s - t_s
        middle_s = t_s + 0.5 * passed if passed < math.inf else t_s
        henry = self._inductance_h(middle_s)
        c = self._c
        if blocked:  # no current in the lead: the shorted turns alone hold the flux
            rate = 1.0 / (henry * c) if c else 0.0
            self._parts.append(Part(t_s, 0.0, 0.0, 0.0, rate, 0.0, flux if c else 0.0))
            return flux * math.exp(-rate * passed) if c else 0.0
        rate = ohm / (henry * (1.0 + ohm * c))
        goal = volt * henry / ohm
        end = goal + (flux - goal) * math.exp(-rate * passed)
        if passed < math.inf and self._inductance_h(t_s) != self._inductance_h(to_s):
            a, b = self._wired_a(flux, t_s, volt, ohm), self._wired_a(end, to_s, volt, ohm)
            slope = (b - a) / passed if passed > 0 else 0.0
            self._parts.append(Part(t_s, a, slope, 0.0, rate, goal, flux))
        else:
            delta = (flux - goal) * (1.0 / henry - c * rate)
            self._parts.append(Part(t_s, goal / henry, 0.0, delta, rate, goal, flux))
        return end
