# SPDX-License-Identifier: MIT
"""The plunger: magnet against spring, friction and oil film, between two stops.

m x'' = k i^2 / (G - x)^2 - (F0 + c x) - d x' - friction against the motion. The pull of a closing
gap; no saturation, stops without rebound. While it rests on a stop, only the instant at which the
current releases it is computed, in closed form; integration steps are taken only in flight.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from typing import NamedTuple

from rig.config.plant.parts import PlungerPart
from rig.simulated.coil_path.electrics import Piece

STEP_S = 0.35e-3
"""Step of the fourth-order Runge-Kutta scheme in flight; a flight lasts some milliseconds."""
LANDED_M = 1e-7
FLIGHT_MAX_S = 2.0
"""A plunger that creeps for longer is assumed to stay where it is until the contact changes."""


class Node(NamedTuple):
    """Position and speed of the plunger: s, m, m/s."""

    t_s: float
    x_m: float
    v_m_s: float


class Passing(NamedTuple):
    """The plunger passed the pilot seat: `pulled_in` says which way."""

    t_s: float
    pulled_in: bool


class Plunger:
    """Follows the coil's current. Its own time runs from one contact change to the next."""

    def __init__(self, part: PlungerPart, viscosity_pa_s: float, rng: random.Random) -> None:
        self.travel_m = part.travel_mm * 1e-3
        self.gap_m = self.travel_m + part.gap_left_mm * 1e-3
        self._pull = part.spring_rest_n * (self.gap_m / part.pull_in_current_a) ** 2
        self._spring_n = part.spring_rest_n
        self._rate_n_m = (part.spring_end_n - part.spring_rest_n) / self.travel_m
        self._mass_kg = part.mass_g * 1e-3
        self._film = viscosity_pa_s * part.bearing_area_mm2 / (part.bearing_gap_mm * 1e3)
        self._friction_n, self._friction_spread = part.friction_n, part.friction_spread
        self._seat_m = part.pilot_at * self.travel_m
        self._rng = rng
        self.nodes: list[Node] = [Node(-math.inf, 0.0, 0.0)]
        self.landed: list[tuple[float, bool]] = []
        """Arrivals at a stop since the last contact change: (s, pulled in)."""

    def follow(self, pieces: Sequence[Piece]) -> list[Passing]:
        """Plan the motion for the current's `pieces`; returns every passing of the pilot seat.

        It starts from the plunger's position at the first piece and replaces what was planned.
        """
        node = self.at(pieces[0].start_s)
        spread = 1.0 + self._friction_spread * self._rng.gauss(0.0, 1.0)
        friction_n = self._friction_n * max(spread, 0.0)
        self.nodes, self.landed = [node], []
        passings: list[Passing] = []
        k = 0
        while True:
            if node.v_m_s == 0.0 and node.x_m in (0.0, self.travel_m):
                leave = self._leaves(pieces, k, node, friction_n)
                if leave is None:
                    return passings
                k, t_s = leave
                node = Node(t_s, node.x_m, 0.0)
                self.nodes.append(node)
            k, node, arrived = self._fly(pieces, k, node, friction_n, passings)
            if not arrived:
                return passings

    def at(self, t_s: float) -> Node:
        """Position at `t_s`."""
        nodes = self.nodes
        for k in range(len(nodes) - 1, -1, -1):
            a = nodes[k]
            if t_s >= a.t_s:
                if k + 1 == len(nodes) or a.t_s == -math.inf:
                    return Node(t_s, a.x_m, a.v_m_s)
                b = nodes[k + 1]
                part = (t_s - a.t_s) / (b.t_s - a.t_s)
                v = a.v_m_s + part * (b.v_m_s - a.v_m_s)
                return Node(t_s, hermite(a, b, t_s), v)
        return Node(t_s, nodes[0].x_m, 0.0)

    def force_n(self, current_a: float, x_m: float) -> float:
        """Magnet against spring at rest, N; positive pulls in."""
        gap = self.gap_m - x_m
        magnet = self._pull * current_a * current_a / (gap * gap)
        return magnet - self._spring_n - self._rate_n_m * x_m

    def _leaves(
        self, pieces: Sequence[Piece], first: int, node: Node, friction_n: float
    ) -> tuple[int, float] | None:
        """Index of the piece and instant at which the current releases the plunger from its
        stop."""
        inwards = node.x_m == 0.0
        hold_n = (
            self._spring_n + self._rate_n_m * node.x_m + (friction_n if inwards else -friction_n)
        )
        if hold_n <= 0.0:
            return None  # a spring weaker than its friction never returns it
        gap = self.gap_m - node.x_m
        limit_a = math.sqrt(hold_n / self._pull) * gap
        for k in range(first, len(pieces)):
            start_s, goal_a, delta_a, rate = pieces[k]
            end_s = pieces[k + 1].start_s if k + 1 < len(pieces) else math.inf
            from_s = max(start_s, node.t_s)
            if from_s >= end_s:
                continue
            now_a = pieces[k].at(from_s)
            if (now_a > limit_a) if inwards else (now_a < limit_a):
                return k, from_s
            if rate and ((goal_a > limit_a) if inwards else (goal_a < limit_a)):
                t_s = start_s + math.log(delta_a / (limit_a - goal_a)) / rate
                if t_s < end_s:
                    return k, t_s
        return None

    def _fly(
        self,
        pieces: Sequence[Piece],
        k: int,
        node: Node,
        friction_n: float,
        passings: list[Passing],
    ) -> tuple[int, Node, bool]:
        """Step until a stop is reached; returns the piece, the node there, and whether it was
        reached."""
        travel, seat = self.travel_m, self._seat_m
        give_up_s = node.t_s + FLIGHT_MAX_S
        if node.v_m_s:
            way = math.copysign(1.0, node.v_m_s)
        elif node.x_m in (0.0, travel):
            way = 1.0 if node.x_m == 0.0 else -1.0
        else:
            way = 1.0 if self.force_n(pieces[k].at(node.t_s), node.x_m) > 0.0 else -1.0
        while node.t_s < give_up_s:
            while k + 1 < len(pieces) and pieces[k + 1].start_s <= node.t_s:
                k += 1
            h_s = STEP_S
            if k + 1 < len(pieces):
                h_s = min(h_s, pieces[k + 1].start_s - node.t_s)
            new = self._step(pieces[k], node, h_s, way * friction_n)
            stopped = True
            if (new.x_m >= travel and way > 0.0) or (new.x_m <= 0.0 and way < 0.0):
                new = self._land(pieces[k], node, new, way * friction_n)
            elif not 0.0 < new.x_m < travel:  # thrown back onto the stop it had hardly left
                new = Node(new.t_s, 0.0 if way > 0.0 else travel, 0.0)
            else:
                stopped = False
            self.nodes.append(new)
            if (node.x_m < seat) != (new.x_m < seat):
                passings.append(Passing(self._reaches(node, new, seat), new.x_m >= seat))
            node = new
            if stopped:
                self.landed.append((node.t_s, node.x_m > 0.0))
                return k, node, True
            if node.v_m_s * way < 0.0:  # reversed: friction now acts the other way
                way = -way
        return k, node, False

    def _land(self, piece: Piece, node: Node, beyond: Node, friction_n: float) -> Node:
        """Locate the stop between `node` and `beyond` by shorter steps: the pull grows so steeply
        there that no cubic through both would do (Illinois method)."""
        stop = self.travel_m if beyond.x_m > 0.0 else 0.0
        low, high = 0.0, beyond.t_s - node.t_s
        x_low = node.x_m - stop
        x_high = math.copysign(min(abs(beyond.x_m - stop), self.travel_m), -x_low)
        h = high
        kept = 0
        for _ in range(20):
            h = low - x_low * (high - low) / (x_high - x_low)
            x = self._step(piece, node, h, friction_n).x_m - stop
            if abs(x) < LANDED_M:
                break
            if (x < 0.0) == (x_low < 0.0):
                low, x_low = h, x
                if kept > 0:
                    x_high *= 0.5
                kept = 1
            else:
                high, x_high = h, x
                if kept < 0:
                    x_low *= 0.5
                kept = -1
        return Node(node.t_s + h, stop, 0.0)

    def _step(self, piece: Piece, node: Node, h_s: float, friction_n: float) -> Node:
        start_s, goal_a, delta_a, rate = piece
        pull, gap, spring, rate_n = self._pull, self.gap_m, self._spring_n, self._rate_n_m
        film, per_kg, exp = self._film, 1.0 / self._mass_kg, math.exp
        t, x, v = node
        half = 0.5 * h_s
        fixed = spring + friction_n
        ratio = exp(-half * rate)  # the current falls by this factor every half step
        decay = delta_a * exp((start_s - t) * rate)
        i = goal_a + decay
        i2 = goal_a + decay * ratio
        i4 = goal_a + decay * ratio * ratio
        g = gap - x
        a1 = (pull * i * i / (g * g) - fixed - rate_n * x - film * v) * per_kg
        v2 = v + half * a1
        x2 = x + half * v
        g = gap - x2
        pull2 = pull * i2 * i2
        a2 = (pull2 / (g * g) - fixed - rate_n * x2 - film * v2) * per_kg
        v3 = v + half * a2
        x3 = x + half * v2
        g = gap - x3
        a3 = (pull2 / (g * g) - fixed - rate_n * x3 - film * v3) * per_kg
        v4 = v + h_s * a3
        x4 = x + h_s * v3
        g = gap - x4
        a4 = (pull * i4 * i4 / (g * g) - fixed - rate_n * x4 - film * v4) * per_kg
        sixth = h_s / 6.0
        return Node(
            t + h_s,
            x + sixth * (v + 2.0 * (v2 + v3) + v4),
            v + sixth * (a1 + 2.0 * (a2 + a3) + a4),
        )

    def _reaches(self, a: Node, b: Node, x_m: float) -> float:
        """When the path from `a` to `b` is at `x_m` (Newton, kept inside by bisection)."""
        low, high = a.t_s, b.t_s
        rising = b.x_m > a.x_m
        span = high - low
        t_s = low + span * (x_m - a.x_m) / (b.x_m - a.x_m)
        for _ in range(40):
            x = hermite(a, b, t_s) - x_m
            if abs(x) < 1e-9 or high - low < 1e-10:  # m, s
                break
            if (x < 0.0) == rising:
                low = t_s
            else:
                high = t_s
            part = (t_s - a.t_s) / span
            t_s -= x / (a.v_m_s + part * (b.v_m_s - a.v_m_s) or math.inf)
            if not low < t_s < high:
                t_s = 0.5 * (low + high)
        return t_s


def hermite(a: Node, b: Node, t_s: float) -> float:
    """Position at `t_s` on the cubic through two nodes with their speeds."""
    h = b.t_s - a.t_s
    u = (t_s - a.t_s) / h
    w = 1.0 - u
    ends = w * w * (1.0 + 2.0 * u) * a.x_m + u * u * (1.0 + 2.0 * w) * b.x_m
    return ends + h * u * w * (w * a.v_m_s - u * b.v_m_s)
