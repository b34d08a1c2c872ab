# SPDX-License-Identifier: MIT
"""What arrives from gauge and timed lines: shown to the interlock first, then recorded."""

from __future__ import annotations

from collections.abc import Callable

from rig.bench.interlock import Interlock
from rig.core.errors import HardwareError
from rig.core.ports import Hardware
from rig.core.records import GOOD, Condition, Edge, Record, Sample


class Intake:
    """Reads both ports once a turn. `pressure` is the latest believable reading."""

    def __init__(
        self, hardware: Hardware, interlock: Interlock, emit: Callable[[Record], None]
    ) -> None:
        self._gauge, self._edges = hardware.gauge, hardware.edges
        self._interlock, self._emit = interlock, emit
        self._sequence: dict[str, int] = {}
        self.pressure: Sample | None = None
        self.gauge_words = "nothing received"

    def collect(self, now_ns: int) -> None:
        """Take everything that has arrived, the gauge first."""
        if self._gauge is not None:
            for item in self._gauge.read():
                self._see(item)
        try:
            for edge in self._edges.read():
                self._interlock.see_edge(edge)
                self._count(edge)
                self._emit(edge)
        except HardwareError as error:
            self._interlock.edge_source_failed(now_ns, str(error))

    def levels(self) -> dict[str, int]:
        """The level of every timed line now. Raises HardwareError once they are lost."""
        return {line: self._edges.level(line) for line in self._edges.lines}

    def levels_if_any(self) -> dict[str, int] | None:
        """The same; None once they are lost."""
        try:
            return self.levels()
        except HardwareError:
            return None

    def descriptors(self) -> list[int]:
        """What to wait on."""
        ports = [self._edges.fileno(), self._gauge.fileno() if self._gauge else None]
        return [fd for fd in ports if fd is not None]

    def _see(self, item: Sample | Condition) -> None:
        if isinstance(item, Sample):
            self._interlock.see_sample(item)
            if item.channel == "pressure" and item.quality == GOOD:
                self.pressure = item
            else:
                self.gauge_words = item.quality
        else:
            self.gauge_words = f"{item.kind}: {item.detail}"
        self._emit(item)

    def _count(self, edge: Edge) -> None:
        before = self._sequence.get(edge.line, 0)  # a line's first edge has number 1
        self._sequence[edge.line] = edge.sequence
        if edge.sequence != before + 1:
            lost = edge.sequence - before - 1
            self._emit(Condition("sequence gap", edge.t_ns, f"{edge.line}: {lost} edges lost"))
