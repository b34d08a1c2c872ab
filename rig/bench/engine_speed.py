# SPDX-License-Identifier: MIT
"""Engine speed from the pulse line's kernel-stamped edges, one reading a period."""

from __future__ import annotations

from rig.config.analog.model import EngineSpeedSetup
from rig.core.records import ENGINE_SPEED, GOOD, Edge, Sample

NS = 1_000_000_000
NOISY = "noisy pulses"
"""Quality of a reading that includes pulses closer together than the engine can turn."""


class EngineSpeed:
    """Revolutions per minute, over whole revolutions if there are enough pulses."""

    def __init__(self, setup: EngineSpeedSetup) -> None:
        self._level = int(setup.edge == "rising")
        self._per_rev = setup.pulses_per_revolution
        per_minute = 60 * NS / setup.pulses_per_revolution
        self._closest_ns = per_minute / setup.highest_rpm
        self._stands_ns = per_minute / setup.slowest_rpm
        self._period_ns = int(setup.period_s * NS)
        self._pulses: list[int] = []
        self._noisy = False
        self._due_ns: int | None = None
        self._since_ns = 0

    def see(self, edge: Edge) -> None:
        """Take an edge of the pulse line."""
        if edge.level != self._level:
            return
        if self._pulses and not edge.t_ns - self._pulses[-1] >= self._closest_ns:
            self._noisy = True
        self._pulses.append(edge.t_ns)

    def reading(self, now_ns: int) -> Sample | None:
        """The reading due at `now_ns`. None before that, and while there are too few pulses to tell
        a slow engine from a standing one."""
        if self._due_ns is None:
            self._due_ns, self._since_ns = now_ns + self._period_ns, now_ns
        if now_ns < self._due_ns:
            return None
        self._due_ns = max(self._due_ns + self._period_ns, now_ns)
        pulses = self._pulses
        last_ns = pulses[-1] if pulses else self._since_ns
        if now_ns - last_ns > self._stands_ns:
            self._pulses, self._noisy = [], False
            return Sample(ENGINE_SPEED, 0.0, now_ns, GOOD)
        if len(pulses) < 2:
            return None
        turns = len(pulses) - 1
        if turns >= self._per_rev >= 1.0:
            turns = int(turns // self._per_rev * self._per_rev)
        span_ns = pulses[-1] - pulses[-1 - turns]
        noisy, self._pulses, self._noisy = self._noisy, pulses[-1:], False
        if noisy or span_ns <= 0:
            return Sample(ENGINE_SPEED, None, last_ns, NOISY)
        return Sample(ENGINE_SPEED, 60.0 * NS * turns / (self._per_rev * span_ns), last_ns, GOOD)
