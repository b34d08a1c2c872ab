# SPDX-License-Identifier: MIT
"""The gauge's sensor: first-order lag behind the true pressure, noise, resolution.

The lag follows the pressure exactly where the pressure is a formula, and piecewise linearly between
nodes while it moves; nothing is computed between two readings.
"""

from __future__ import annotations

import math
import random

from rig.config.plant.parts import GaugePart
from rig.simulated.hydraulics.trajectory import Quiet, Trajectory

BLOCKED_S = 1000.0
"""A line this slow has let nothing through since the engine was started."""


class LaggedPressure:
    """g' = (p - g) / lag along a trajectory; Pa, s. It only moves forward."""

    def __init__(self, lag_s: float, start_pa: float) -> None:
        self._lag_s = lag_s
        self.t_s, self.value_pa = 0.0, start_pa
        self._next_node = 0

    def enter(self) -> None:
        """The trajectory was replaced by one that begins at this time."""
        self._next_node = 0

    def follow(self, path: Trajectory, until_s: float) -> float:
        """The lagged pressure at `until_s`."""
        if until_s <= self.t_s:
            return self.value_pa
        nodes, k = path.nodes, self._next_node
        lag, t, g = self._lag_s, self.t_s, self.value_pa
        exp = math.exp
        while k < len(nodes) and nodes[k].t_s <= t:
            k += 1
        p = path.pressure_pa(t) if k < len(nodes) else 0.0
        while k < len(nodes):
            node = nodes[k]
            end, at_end = node.t_s, node.p_pa
            if end > until_s:
                end, at_end = until_s, path.pressure_pa(until_s)
            h = end - t
            behind = (at_end - p) / h * lag
            g = at_end - behind + (g - p + behind) * exp(-h / lag)
            t, p = end, at_end
            if end == until_s:
                break
            k += 1
        if t < until_s and path.quiet is not None:
            g = _through_quiet(path.quiet, lag, t, g, until_s)
        self.t_s, self.value_pa, self._next_node = until_s, g, k
        return g


def _through_quiet(quiet: Quiet, lag_s: float, t_s: float, g_pa: float, until_s: float) -> float:
    """The exact response of the lag to the formula of a quiet pressure."""

    def settled(at_s: float) -> float:
        passed = at_s - quiet.t0_s
        value = quiet.level_pa + quiet.slope_pa_s * (passed - lag_s)
        if quiet.ripple_pa:
            turn = quiet.omega * lag_s
            wave = math.sin(quiet.omega * at_s + quiet.phase - math.atan(turn))
            value += quiet.ripple_pa * wave / math.sqrt(1.0 + turn * turn)
        if quiet.rest_pa:
            ratio = 1.0 - lag_s * quiet.rate
            if abs(ratio) < 1e-6:  # both time constants equal: the limit does not matter
                ratio = 1e-6
            value += quiet.rest_pa / ratio * math.exp(-passed * quiet.rate)
        return value

    return settled(until_s) + (g_pa - settled(t_s)) * math.exp((t_s - until_s) / lag_s)


def line_to(part: GaugePart, start_pa: float, lag_s: float = 0.0) -> LaggedPressure:
    """Pressure at the sensor's end of its line, with an additional lag of `lag_s`; `start_pa` has
    been at the other end for long."""
    blocked = part.line_lag_s >= BLOCKED_S
    return LaggedPressure(lag_s + part.line_lag_s, 0.0 if blocked else start_pa)


class GaugeSensor:
    """The gauge's value for the lagged pressure, kPa."""

    def __init__(
        self, part: GaugePart, shows_kpa: tuple[float, float], rng: random.Random, start_pa: float
    ) -> None:
        self.lagged = line_to(part, start_pa, part.lag_s)
        self._noise_kpa, self._offset_kpa = part.noise_kpa, part.offset_kpa
        self._step_kpa = part.resolution_kpa
        self._low_kpa, self._high_kpa = shows_kpa
        self._rng = rng

    def reading_kpa(self, path: Trajectory, t_s: float) -> float | None:
        """One reading, rounded to the resolution; None over its range. At the lower end of its
        range it stays there."""
        true_kpa = self.lagged.follow(path, t_s) * 1e-3
        value = true_kpa + self._offset_kpa + self._noise_kpa * self._rng.gauss(0.0, 1.0)
        if value > self._high_kpa:
            return None
        return max(round(value / self._step_kpa) * self._step_kpa, self._low_kpa)
