# SPDX-License-Identifier: MIT
"""Supply pressure: linear segments (a hand on the regulator, a surge) plus the pump's ripple. Gauge
pressure in Pa; analytic in time, so it costs nothing while it is not read."""

from __future__ import annotations

import math


class Supply:
    """One pressure source. `t0_s`, `p0_pa`, `slope_pa_s` describe the current segment."""

    def __init__(self, pressure_pa: float, ripple_pa: float, frequency_hz: float, phase: float):
        self.t0_s, self.p0_pa, self.slope_pa_s, self.ends_s = 0.0, pressure_pa, 0.0, math.inf
        self.ripple_pa = ripple_pa
        self.omega = 2.0 * math.pi * frequency_hz
        self.phase = phase

    def mean(self, t_s: float) -> float:
        """Pressure without the ripple."""
        if self.slope_pa_s:
            return self.p0_pa + self.slope_pa_s * (min(t_s, self.ends_s) - self.t0_s)
        return self.p0_pa

    def at(self, t_s: float) -> float:
        """Pressure at `t_s`."""
        return self.mean(t_s) + self.ripple_pa * math.sin(self.omega * t_s + self.phase)

    def turn(self, t_s: float, rate_pa_s: float, goal_pa: float) -> None:
        """From `t_s` on move towards `goal_pa` at `rate_pa_s` (0: stay), and stay there."""
        now_pa = self.mean(t_s)
        self.t0_s, self.p0_pa = t_s, now_pa
        way = goal_pa - now_pa
        if way == 0.0 or rate_pa_s == 0.0:
            self.slope_pa_s, self.ends_s = 0.0, math.inf
        else:
            self.slope_pa_s = math.copysign(rate_pa_s, way)
            self.ends_s = t_s + abs(way) / rate_pa_s

    def settle(self, t_s: float) -> None:
        """Close a segment that has reached its goal, so that the next one is level."""
        if t_s >= self.ends_s:
            self.turn(self.ends_s, 0.0, self.mean(self.ends_s))
