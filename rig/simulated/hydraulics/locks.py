# SPDX-License-Identifier: MIT
"""The rocker locks behind the valve: the share that holds, and the effect in the intake."""

from __future__ import annotations

from collections.abc import Callable

from rig.config.plant.parts import LocksPart


class RockerLocks:
    """`pressure_kpa` gives the pressure behind the valve at a time in s."""

    def __init__(self, part: LocksPart, pressure_kpa: Callable[[float], float]) -> None:
        self._part, self._pressure_kpa = part, pressure_kpa

    def locked(self, t_s: float) -> float:
        """Share of the rockers that are locked."""
        part = self._part
        if self._pressure_kpa(t_s) >= part.engages_kpa:
            return 1.0 - part.stuck_free
        return part.stuck_locked

    def intake_gain_kpa(self, t_s: float) -> float:
        """What they add to the intake pressure: the valve lift follows the share locked."""
        return self._part.intake_gain_kpa * self.locked(t_s)
