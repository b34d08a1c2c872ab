# SPDX-License-Identifier: MIT
"""Gallery pressure over time: nodes while something moves, then one formula when nothing does.

The quiet formula is that of a linear first-order volume on a ramp with a ripple: p = c + k (t - t0)
+ A sin(w t + phi) + r exp(-(t - t0) / tau).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

ROOT_PA = 0.1
ROOT_S = 1e-10


class Node(NamedTuple):
    """State at one instant: s, Pa, Pa/s; content of the gallery m^3, its rate; spool m, m/s."""

    t_s: float
    p_pa: float
    dp_pa_s: float
    content_m3: float
    net_m3_s: float
    y_m: float
    v_m_s: float


class Quiet(NamedTuple):
    """The formula above, from `t0_s` on. Pa, s, 1/s."""

    t0_s: float
    level_pa: float
    slope_pa_s: float
    ripple_pa: float
    omega: float
    phase: float
    rest_pa: float
    rate: float

    def at(self, t_s: float) -> float:
        """Pressure at `t_s`."""
        passed = t_s - self.t0_s
        p = self.level_pa + self.slope_pa_s * passed
        if self.ripple_pa:
            p += self.ripple_pa * math.sin(self.omega * t_s + self.phase)
        if self.rest_pa:
            p += self.rest_pa * math.exp(-passed * self.rate)
        return p


class Trajectory:
    """Nodes in time order, then `quiet`; `ends_s` is where it must be continued (or never)."""

    def __init__(self) -> None:
        self.nodes: list[Node] = []
        self.quiet: Quiet | None = None
        self.void_from_s = math.inf
        """From here on oil runs out of the open drain."""
        self.ends_s = math.inf
        self.spool_stopped: tuple[float, bool] | None = None
        """When the spool arrived at a stop, and whether at its far one."""

    def pressure_pa(self, t_s: float) -> float:
        """Gauge pressure at `t_s`, from the first node on. It is never negative: where a void is
        filled or left between two nodes the pressure has a corner, and the cubic would dip below
        zero."""
        quiet = self.quiet
        if quiet is not None and t_s >= quiet.t0_s:
            return quiet.at(t_s)
        a, b = self._around(t_s)
        if b is None:
            return a.p_pa
        return max(cubic(t_s, a.t_s, a.p_pa, a.dp_pa_s, b.t_s, b.p_pa, b.dp_pa_s), 0.0)

    def content_m3(self, t_s: float) -> float:
        """Content of the gallery at `t_s`, within the nodes."""
        a, b = self._around(t_s)
        if b is None:
            return a.content_m3
        return cubic(t_s, a.t_s, a.content_m3, a.net_m3_s, b.t_s, b.content_m3, b.net_m3_s)

    def spool_m(self, t_s: float) -> float:
        """Spool position at `t_s`."""
        a, b = self._around(t_s)
        if b is None or a.y_m == b.y_m:
            return a.y_m
        y = cubic(t_s, a.t_s, a.y_m, a.v_m_s, b.t_s, b.y_m, b.v_m_s)
        return min(max(y, min(a.y_m, b.y_m)), max(a.y_m, b.y_m))

    def _around(self, t_s: float) -> tuple[Node, Node | None]:
        nodes = self.nodes
        for k in range(len(nodes) - 1, -1, -1):
            if t_s >= nodes[k].t_s:
                return nodes[k], nodes[k + 1] if k + 1 < len(nodes) else None
        return nodes[0], None

    def crosses(self, from_s: float, threshold_pa: float, rising: bool) -> float | None:
        """First instant from `from_s` on at which the pressure is at or beyond `threshold_pa`,
        within this trajectory; None if it never is."""
        way = 1.0 if rising else -1.0
        nodes = self.nodes
        a = nodes[0]
        now_pa = a.p_pa if from_s <= a.t_s else self.pressure_pa(from_s)
        if way * (now_pa - threshold_pa) >= 0.0:
            return from_s
        for b in nodes[1:]:
            if way * (b.p_pa - threshold_pa) >= 0.0 and b.t_s > from_s:
                return _between(a, b, max(a.t_s, from_s), threshold_pa, way)
            a = b
        if self.quiet is None:
            return None
        return self._quiet_crosses(max(from_s, self.quiet.t0_s), threshold_pa, way)

    def _quiet_crosses(self, from_s: float, threshold_pa: float, way: float) -> float | None:
        quiet = self.quiet
        if quiet is None:
            return None
        reach = quiet.ripple_pa + abs(quiet.rest_pa * math.exp((quiet.t0_s - from_s) * quiet.rate))
        middle_pa = quiet.level_pa + quiet.slope_pa_s * (from_s - quiet.t0_s)
        missing = way * (threshold_pa - middle_pa)
        pace = way * quiet.slope_pa_s
        if missing > reach:
            if pace <= 0.0:
                return None
            from_s += (missing - reach) / pace
        period_s = 2.0 * math.pi / quiet.omega
        # nothing new can happen beyond this: the remainder has decayed and a period has passed
        last_s = from_s + period_s + (12.0 / quiet.rate if quiet.rest_pa else 0.0)
        if pace > 0.0:
            last_s += 2.0 * reach / pace
        last_s = min(last_s, self.ends_s)
        step_s = period_s / 24.0 if quiet.ripple_pa else max((last_s - from_s) / 24.0, 1e-4)
        t_s = from_s
        while t_s < last_s:
            next_s = min(t_s + step_s, last_s)
            if way * (quiet.at(next_s) - threshold_pa) >= 0.0:
                return _root(lambda at_s: way * (quiet.at(at_s) - threshold_pa), t_s, next_s)
            t_s = next_s
        return None


def _between(a: Node, b: Node, from_s: float, threshold_pa: float, way: float) -> float:
    """Where the cubic from node `a` to node `b` crosses, from `from_s` on."""
    return _root(
        lambda t_s: (
            way * (cubic(t_s, a.t_s, a.p_pa, a.dp_pa_s, b.t_s, b.p_pa, b.dp_pa_s) - threshold_pa)
        ),
        from_s,
        b.t_s,
    )


def _root(beyond: Callable[[float], float], low_s: float, high_s: float) -> float:
    """Where `beyond` (Pa) goes from below zero at `low_s` to above it (Illinois method)."""
    f_low, f_high = beyond(low_s), beyond(high_s)
    if f_low >= 0.0:
        return low_s
    kept = 0  # the end kept in the last round: its value is halved, or the iteration would stall
    for _ in range(60):
        t_s = high_s - f_high * (high_s - low_s) / (f_high - f_low)
        f = beyond(t_s)
        if abs(f) < ROOT_PA or high_s - low_s < ROOT_S:
            return t_s
        if f > 0.0:
            high_s, f_high = t_s, f
            if kept < 0:
                f_low *= 0.5
            kept = -1
        else:
            low_s, f_low = t_s, f
            if kept > 0:
                f_high *= 0.5
            kept = 1
    return high_s


def cubic(t: float, t0: float, a: float, da: float, t1: float, b: float, db: float) -> float:
    """Value at `t` of the cubic through (t0, a) and (t1, b) with slopes `da` and `db`."""
    h = t1 - t0
    u = (t - t0) / h
    w = 1.0 - u
    return w * w * (1.0 + 2.0 * u) * a + u * u * (1.0 + 2.0 * w) * b + h * u * w * (w * da - u * db)
