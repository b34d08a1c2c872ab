# SPDX-License-Identifier: MIT
"""The running engine: crank angle over time, pulses of a toothed wheel, pressure in a cylinder.

The angle is linear within each half revolution, the distance between two firings of a four-cylinder
four-stroke engine; each half has its own duration. Values are invented.
"""

from __future__ import annotations

import math
import random
from collections import deque
from collections.abc import Callable
from typing import NamedTuple

from rig.config.plant.parts import EnginePart

ATMOSPHERE_KPA = 101.325
POLYTROPIC = 1.3
"""Exponent of air compressed between cool walls (textbooks give 1.25 to 1.35)."""
WANDER = 0.9
"""Fraction of a half revolution's deviation that carries over to the next."""
KEPT = 64


class Half(NamedTuple):
    """Half a revolution: begins at `start_s`, takes `lasts_s`; number `n` from 0."""

    n: int
    start_s: float
    lasts_s: float


class Engine:
    """Runs from time 0. Times in s, angles in revolutions of the crank."""

    def __init__(self, part: EnginePart, rng: random.Random) -> None:
        self._part, self._rng = part, rng
        self._mean_s = 30.0 / part.speed_rpm
        self._off = 0.0
        self._halves: deque[Half] = deque()
        self._cycle, self._gain_kpa = -1.0, 0.0
        self._add(0.0)

    def _add(self, start_s: float) -> None:
        part, n = self._part, self._halves[-1].n + 1 if self._halves else 0
        self._off = WANDER * self._off + part.wander * self._rng.gauss(0.0, 1.0)
        uneven = part.jitter * self._rng.gauss(0.0, 1.0)
        lasts_s = self._mean_s * max(1.0 + self._off + uneven, 0.2)
        self._halves.append(Half(n, start_s, lasts_s))
        if len(self._halves) > KEPT:
            self._halves.popleft()

    def time_s(self, revolutions: float) -> float:
        """When the crank reaches this angle; not far before the angle last requested."""
        while 2.0 * revolutions >= self._halves[-1].n + 1:
            last = self._halves[-1]
            self._add(last.start_s + last.lasts_s)
        for half in reversed(self._halves):
            if 2.0 * revolutions >= half.n:
                return half.start_s + (2.0 * revolutions - half.n) * half.lasts_s
        return self._halves[0].start_s

    def turned(self, t_s: float) -> float:
        """Crank angle at `t_s`."""
        while t_s >= self._halves[-1].start_s + self._halves[-1].lasts_s:
            last = self._halves[-1]
            self._add(last.start_s + last.lasts_s)
        for half in reversed(self._halves):
            if t_s >= half.start_s:
                return 0.5 * (half.n + (t_s - half.start_s) / half.lasts_s)
        return 0.5 * self._halves[0].n

    def cylinder_kpa(self, t_s: float, gain_kpa: Callable[[float], float] | None = None) -> float:
        """Gauge pressure in a cylinder without ignition, as seen by a transducer in place of the
        spark plug: p V^n = const from the intake's closing to the exhaust's opening, both at bottom
        dead centre; the intake's pressure, and the air's, in the other two strokes.

        `gain_kpa` is what the valve lift adds to the intake's pressure at a time; its value at the
        intake's closing holds through the compression.
        """
        turned = self.turned(t_s)
        cycle = turned % 2.0  # 0 and 1 bottom, 0.5 top dead centre after compression
        part = self._part
        intake_kpa = part.intake_kpa
        if gain_kpa is not None:
            if turned // 2.0 != self._cycle or cycle >= 1.5:
                self._cycle, self._gain_kpa = turned // 2.0, gain_kpa(t_s)
            intake_kpa += self._gain_kpa
        if cycle >= 1.0:
            return 0.0 if cycle < 1.5 else intake_kpa - ATMOSPHERE_KPA
        ratio = part.compression_ratio
        travelled = 0.5 * (1.0 + math.cos(2.0 * math.pi * cycle))  # 1 at the bottom
        volume = (1.0 + (ratio - 1.0) * travelled) / ratio
        return float(intake_kpa * volume**-POLYTROPIC - ATMOSPHERE_KPA)


class PulseWheel:
    """Edges of the pulse line in sequence: level 1 for the first half of each tooth."""

    def __init__(self, engine: Engine, pulses_per_revolution: float) -> None:
        self._engine, self._per_rev, self._n = engine, pulses_per_revolution, 0
        self.level = 0
        self.next_s = engine.time_s(0.5 / pulses_per_revolution)

    def turn(self) -> int:
        """Advance past the next edge; returns the level after it."""
        self.level = 1 - self.level
        self._n += 1
        self.next_s = self._engine.time_s(0.5 * (self._n + 1) / self._per_rev)
        return self.level
