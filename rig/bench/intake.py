# SPDX-License-Identifier: MIT
"""Arrivals from gauge and timed lines: shown to the interlock first, then recorded."""

from __future__ import annotations

import math
from collections.abc import Callable

from rig.bench.engine_speed import EngineSpeed
from rig.bench.interlock.channel_watch import as_sample
from rig.bench.interlock.interlock import Interlock
from rig.core.errors import HardwareError
from rig.core.ports import Hardware
from rig.core.records import ENGINE_SPEED, GOOD, Block, Condition, Edge, Record, Sample


class Intake:
    """Reads all ports once a turn. `pressure` is the latest believable pressure reading, `readings`
    that of every channel."""

    def __init__(
        self, hardware: Hardware, interlock: Interlock, emit: Callable[[Record], None]
    ) -> None:
        self._gauge, self._edges = hardware.gauge, hardware.edges
        self._analog = hardware.analog
        self._interlock, self._emit = interlock, emit
        engine = interlock.setup.engine_speed
        self._engine = EngineSpeed(engine) if engine is not None else None
        self._sequence: dict[str, int] = {}
        self.pressure: Sample | None = None
        self.readings: dict[str, Sample] = {}
        self.gauge_words = "nothing received"

    def collect(self, now_ns: int) -> None:
        """Read everything that has arrived, gauge and converter first."""
        if self._gauge is not None:
            for item in self._gauge.read():
                self._see(item)
        if self._analog is not None:
            for found in self._analog.drain():
                self._see(found)
        try:
            for edge in self._edges.read():
                self._interlock.see_edge(edge)
                self._count(edge)
                self._emit(edge)
                if self._engine is not None and edge.line == ENGINE_SPEED:
                    self._engine.see(edge)
        except HardwareError as error:
            self._interlock.edge_source_failed(now_ns, str(error))
            return
        speed = self._engine.reading(now_ns) if self._engine is not None else None
        if speed is not None:
            self._see(speed)

    def levels(self) -> dict[str, int]:
        """The level of every timed line now. Raises HardwareError if they are lost."""
        return {line: self._edges.level(line) for line in self._edges.lines}

    def levels_if_any(self) -> dict[str, int] | None:
        """The same; None if they are lost."""
        try:
            return self.levels()
        except HardwareError:
            return None

    def descriptors(self) -> list[int]:
        """Descriptors to wait on."""
        ports = [self._edges.fileno(), self._gauge.fileno() if self._gauge else None]
        return [fd for fd in ports if fd is not None]

    def _see(self, item: Sample | Block | Condition) -> None:
        if isinstance(item, Block):
            reading = as_sample(item)
            self._interlock.see_block(reading)
            self._keep(reading)
        elif isinstance(item, Sample):
            self._interlock.see_sample(item)
            if item.value is not None and not math.isfinite(item.value):  # only after it could trip
                item = item._replace(value=None, quality="not a number")
            self._keep(item)
        else:
            self.gauge_words = f"{item.kind}: {item.detail}"
        self._emit(item)

    def _keep(self, reading: Sample) -> None:
        if reading.quality == GOOD:
            self.readings[reading.channel] = reading
        if reading.channel != "pressure":
            return
        if reading.quality == GOOD:
            self.pressure = reading
        else:
            self.gauge_words = reading.quality

    def _count(self, edge: Edge) -> None:
        before = self._sequence.get(edge.line, 0)  # a line's first edge has number 1
        self._sequence[edge.line] = edge.sequence
        if edge.sequence != before + 1:
            lost = edge.sequence - before - 1
            self._emit(Condition("sequence gap", edge.t_ns, f"{edge.line}: {lost} edges lost"))
