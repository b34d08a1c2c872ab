# SPDX-License-Identifier: MIT
"""Pilot, spool and gallery: from the plunger's pilot seat to the pressure at the switch.

The spool's mass is negligible (it moves at tens of mm/s): pilot oil pushes it as fast as it flows
in, against spring and friction, and the spring pushes the oil out again. The gallery fills through
the port that the spool opens. Both are integrated together while they move (Bogacki-Shampine 3(2),
error controlled); once the spool rests and the pressure is near its end value, one formula takes
over until something changes.
"""

from __future__ import annotations

import math
import random
from typing import Protocol

from rig.config.plant.model import SimulatedRig
from rig.simulated.hydraulics.oil_valve import MovingRates, NetFlow, Spool
from rig.simulated.hydraulics.supply import Supply
from rig.simulated.hydraulics.trajectory import Node, Quiet, Trajectory

NODES_MAX = 120
"""A plan longer than this is continued when time reaches its end."""
QUIET_PA = 4000.0
"""Within this of its end value, with the spool at rest, the pressure is treated as linear."""
RAMP_PIECE_PA = 15e3
"""A moving supply is divided into pieces of this, so that the formula follows the curve."""
STEP_FIRST_S = 0.8e-3
STEP_MAX_S = 0.25
TOLERANCE = 1.5e-4
"""Error allowed in a step: of the spool's travel, of the gallery's content at supply pressure."""
PROBE_PA = 100.0


class Valve(Protocol):
    """OilValve or AirValve."""

    drains_at_rest: bool
    has_drain: bool

    def pressure(self, content_m3: float) -> float: ...
    def content(self, pressure_pa: float) -> float: ...
    def capacity(self, pressure_pa: float) -> float: ...
    def moving(self, spool: Spool, source: Supply, piloted: bool) -> MovingRates: ...
    def still(self, y_m: float) -> NetFlow: ...
    def test_port(self) -> NetFlow: ...


class Hydraulics:
    """Plans the pressure at the switch from one change of pilot or supply to the next."""

    def __init__(
        self, rig: SimulatedRig, valve: Valve, inlet: Supply, hand: Supply, rng: random.Random
    ) -> None:
        spool = rig.spool
        self._valve, self._inlet, self._hand, self._rng = valve, inlet, hand, rng
        face_m2 = math.pi / 4e6 * spool.diameter_mm**2
        self.travel_m = spool.travel_mm * 1e-3
        self._rest_m, self._end_m = spool.rest_at * self.travel_m, spool.end_at * self.travel_m
        self._opens_m = spool.inlet_opens_mm * 1e-3
        self._friction_mean_pa = spool.friction_n / face_m2
        self._spool = Spool(
            spool.spring_rest_n / face_m2,
            (spool.spring_end_n - spool.spring_rest_n) / face_m2 / self.travel_m,
            self._friction_mean_pa,
            self._end_m,
            self._rest_m,
        )
        self._friction_spread = spool.friction_spread
        self._varnish, self._varnish_time_s = spool.varnish, spool.varnish_time_s
        self._moved_s = -math.inf
        """When the pilot last moved the spool."""
        gallery = rig.gallery
        drains = valve.drains_at_rest and valve.has_drain
        self._void_max_m3 = gallery.rest_void_cm3 * 1e-6 if drains else 0.0
        self._void_time_s = gallery.rest_void_time_s
        self._void_m3 = self._void_max_m3  # it has been at rest for long when the run begins
        scale = valve.content(max(inlet.mean(0.0), 100e3))
        self._tolerance_m3 = TOLERANCE * scale
        self._tolerance_m = TOLERANCE * self.travel_m
        self.pilot_on = False
        self.by_hand = False
        """The hand's supply is on the test port; inlet and drain are shut off."""
        content_m3 = -self._void_m3
        if self._rest_m > self._opens_m:  # never shut so far: as full as its leaks leave it
            net = valve.still(self._rest_m)
            content_m3 = valve.content(_balance(net, inlet.mean(0.0)))
        self.trajectory = self._plan(0.0, self._rest_m, content_m3)

    # -- inputs

    def pilot(self, t_s: float, on: bool) -> None:
        """The plunger passed the pilot seat."""
        y_m, content_m3 = self.state(t_s)
        self.pilot_on = on
        scatter = 1.0 + self._friction_spread * self._rng.gauss(0.0, 1.0)
        friction_pa = self._friction_mean_pa * max(scatter, 0.0)
        if self._varnish:
            stood_s, self._moved_s = t_s - self._moved_s, t_s
            friction_pa *= 1.0 + self._varnish * -math.expm1(-stood_s / self._varnish_time_s)
        self._spool = self._spool._replace(friction_pa=friction_pa)
        self.trajectory = self._plan(t_s, y_m, content_m3)

    def go_on(self, t_s: float) -> None:
        """Replan from `t_s`: the supply changed, or the plan ends here."""
        y_m, content_m3 = self.state(t_s)
        self.trajectory = self._plan(t_s, y_m, content_m3)

    def state(self, t_s: float) -> tuple[float, float]:
        """Spool position (m) and gallery content (m^3) at `t_s`."""
        now = self.trajectory
        y_m = now.spool_m(t_s)
        if now.quiet is None or t_s < now.quiet.t0_s:
            return y_m, now.content_m3(t_s)
        content_m3 = self._valve.content(max(now.quiet.at(t_s), 0.0))
        if now.void_from_s <= t_s:
            gone = math.exp((now.void_from_s - t_s) / self._void_time_s)
            content_m3 -= self._void_max_m3 + (self._void_m3 - self._void_max_m3) * gone
        return y_m, content_m3

    # -- planning

    def _plan(self, t_s: float, y_m: float, content_m3: float) -> Trajectory:
        plan = Trajectory()
        if self.by_hand:
            y_m = self._end_m if self.pilot_on else self._rest_m
        elif self._wants_to_move(t_s, y_m):
            t_s, y_m, content_m3 = self._move(plan, t_s, y_m, content_m3)
            if len(plan.nodes) >= NODES_MAX:
                plan.ends_s = t_s
                return plan
        self._fill(plan, t_s, y_m, content_m3)
        return plan

    def _wants_to_move(self, t_s: float, y_m: float) -> bool:
        spool = self._spool
        holding = spool.spring_pa + spool.rate_pa_m * y_m
        drive = self._inlet.mean(t_s) if self.pilot_on else 0.0
        ripple = self._inlet.ripple_pa if self.pilot_on else 0.0
        forth = y_m < self._end_m and drive + ripple > holding + spool.friction_pa
        return forth or (y_m > self._rest_m and drive - ripple < holding - spool.friction_pa)

    def _move(self, plan: Trajectory, t: float, y: float, s: float) -> tuple[float, float, float]:
        """Step spool and gallery until the spool is at rest; returns time, position and content."""
        rates = self._valve.moving(self._spool, self._inlet, self.pilot_on)
        end, rest, nodes = self._end_m, self._rest_m, plan.nodes
        middle = 0.5 * (rest + end)
        tol_y, tol_s, capacity = self._tolerance_m, self._tolerance_m3, self._valve.capacity
        step_max = self._step_max(True)
        h = STEP_FIRST_S
        v1, q1, p = rates(t, y, s)
        nodes.append(Node(t, p, q1 / capacity(p) if s > 0.0 else 0.0, s, q1, y, v1))
        last = False  # this step was shortened to end at a stop
        while len(nodes) < NODES_MAX:
            half = 0.5 * h
            v2, q2, _ = rates(t + half, y + half * v1, s + half * q1)
            three = 0.75 * h
            v3, q3, _ = rates(t + three, y + three * v2, s + three * q2)
            ninth = h / 9.0
            y_new = y + ninth * (2.0 * v1 + 3.0 * v2 + 4.0 * v3)
            s_new = s + ninth * (2.0 * q1 + 3.0 * q2 + 4.0 * q3)
            if last:
                y_new = end if y_new > middle else rest
            v4, q4, p = rates(t + h, y_new, s_new)
            if not last:
                each = h / 72.0
                error = max(
                    abs(each * (-5.0 * v1 + 6.0 * v2 + 8.0 * v3 - 9.0 * v4)) / tol_y,
                    abs(each * (-5.0 * q1 + 6.0 * q2 + 8.0 * q3 - 9.0 * q4)) / tol_s,
                )
                if error > 1.0:
                    h *= max(0.9 * error ** (-1.0 / 3.0), 0.2)
                    continue
                if y_new >= end or y_new <= rest:
                    stop = end if y_new >= end else rest
                    if y_new != y:
                        part = (stop - y) / (y_new - y)
                        h = max(h * part, 1e-9)
                        last = True
                        continue
            t, y, s, v1, q1 = t + h, y_new, s_new, v4, q4
            if last:
                v1 = 0.0
            nodes.append(Node(t, p, q1 / capacity(p) if s > 0.0 else 0.0, s, q1, y, v1))
            if last:
                plan.spool_stopped = (t, y == end)
                break
            if v1 == 0.0 and not self._wants_to_move(t, y):
                break
            h = min(h * min(0.9 * error ** (-1.0 / 3.0) if error > 0.01 else 4.0, 4.0), step_max)
        return t, y, s

    def _step_max(self, inlet_open: bool) -> float:
        ripples = inlet_open and self._inlet.ripple_pa > 0.0
        return 2.0 * math.pi / 3.0 / self._inlet.omega if ripples else STEP_MAX_S

    def _fill(self, plan: Trajectory, t: float, y: float, s: float) -> None:
        """Step the gallery with the spool at rest until it is quiet, then set the formula."""
        valve = self._valve
        source = self._hand if self.by_hand else self._inlet
        net = valve.test_port() if self.by_hand else valve.still(y)
        at, pressure = source.at, valve.pressure
        inlet_open = self.by_hand or y > self._opens_m
        step_max, tol, nodes = self._step_max(inlet_open), self._tolerance_m3, plan.nodes
        drained = valve.has_drain and not self.by_hand and y < self._opens_m
        formula = self._formula(source, net, t)
        h = STEP_FIRST_S
        p = pressure(s)
        q1 = net(p, at(t))
        while len(nodes) < NODES_MAX:
            rest = p - formula.at(t)
            if abs(rest) < QUIET_PA and (s >= 0.0 or drained):
                self._node(nodes, t, p, s, q1, y)
                self._be_quiet(plan, formula._replace(t0_s=t, rest_pa=rest), source, s, drained)
                return
            self._node(nodes, t, p, s, q1, y)
            while True:
                half = 0.5 * h
                q2 = net(pressure(s + half * q1), at(t + half))
                three = 0.75 * h
                q3 = net(pressure(s + three * q2), at(t + three))
                new = s + h / 9.0 * (2.0 * q1 + 3.0 * q2 + 4.0 * q3)
                p = pressure(new)
                q4 = net(p, at(t + h))
                error = abs(h / 72.0 * (-5.0 * q1 + 6.0 * q2 + 8.0 * q3 - 9.0 * q4)) / tol
                if error <= 1.0:
                    break
                h *= max(0.9 * error ** (-1.0 / 3.0), 0.2)
            t, s, q1 = t + h, new, q4
            h = min(h * min(0.9 * error ** (-1.0 / 3.0) if error > 0.01 else 4.0, 4.0), step_max)
            if source.slope_pa_s:
                formula = self._formula(source, net, t)
        plan.ends_s = nodes[-1].t_s

    def _node(self, nodes: list[Node], t: float, p: float, s: float, q: float, y: float) -> None:
        if nodes and nodes[-1].t_s >= t:
            nodes.pop()  # the spool stopped at this instant
        slope = q / self._valve.capacity(p) if s > 0.0 else 0.0
        nodes.append(Node(t, p, slope, s, q, y, 0.0))

    def _formula(self, source: Supply, net: NetFlow, t_s: float) -> Quiet:
        """End value, slope and ripple of the pressure at `t_s` with the spool at rest."""
        supply = source.mean(t_s)
        end_pa = _balance(net, supply)
        zero = net(end_pa, supply)
        feed = (net(end_pa, supply + PROBE_PA) - zero) / PROBE_PA
        drag = (zero - net(end_pa + PROBE_PA, supply)) / PROBE_PA
        if not drag > 0.0:  # sealed off and tight: the pressure stays as it is
            return Quiet(t_s, end_pa, 0.0, 0.0, source.omega, 0.0, 0.0, 1e-9)
        tau_s = self._valve.capacity(end_pa) / drag
        gain = feed / drag
        slope = gain * source.slope_pa_s if t_s < source.ends_s else 0.0
        turn = source.omega * tau_s
        ripple = source.ripple_pa * gain / math.sqrt(1.0 + turn * turn)
        if ripple < 1.0:  # Pa: not visible
            ripple = 0.0
        return Quiet(
            t_s, end_pa - slope * tau_s, slope, ripple, source.omega,
            source.phase - math.atan(turn), 0.0, 1.0 / tau_s,
        )  # fmt: skip

    def _be_quiet(
        self, plan: Trajectory, quiet: Quiet, source: Supply, content_m3: float, drained: bool
    ) -> None:
        plan.quiet = quiet
        if drained and self._void_max_m3 > 0.0:
            plan.void_from_s = quiet.t0_s
            self._void_m3 = max(-content_m3, 0.0)
        if quiet.slope_pa_s:
            plan.ends_s = quiet.t0_s + RAMP_PIECE_PA / abs(source.slope_pa_s)


def _balance(net: NetFlow, supply_pa: float) -> float:
    """The pressure at which the net flow is zero, between 0 and the supply's."""
    low, high = 0.0, max(supply_pa, 0.0)
    f_low, f_high = net(low, supply_pa), net(high, supply_pa)
    if f_low <= 0.0 or high == low:
        return low
    if f_high >= 0.0:
        return high
    kept = 0
    for _ in range(60):
        p = high - f_high * (high - low) / (f_high - f_low)
        f = net(p, supply_pa)
        if f > 0.0:
            low, f_low = p, f
            if kept > 0:
                f_high *= 0.5
            kept = 1
        else:
            high, f_high = p, f
            if kept < 0:
                f_low *= 0.5
            kept = -1
        if high - low < 1.0 or f == 0.0:
            return p
    return 0.5 * (low + high)
