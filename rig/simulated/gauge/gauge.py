# SPDX-License-Identifier: MIT
"""The gauge as a whole: reads at its own rate, and puts lines on its wire."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping

from rig.config.gauge.model import GaugeSetup
from rig.config.plant.model import SimulatedRig
from rig.simulated.gauge.peer import TURNAROUND_NS, GaugePeer, Line
from rig.simulated.gauge.sensor import GaugeSensor
from rig.simulated.hydraulics.trajectory import Trajectory
from rig.simulated.scatter import stream

NEVER = 1 << 62


class Gauge:
    """`next_ns` is its next reading; `path` gives the pressure it measures."""

    def __init__(
        self,
        gauge: GaugeSetup,
        rig: SimulatedRig,
        seed: int,
        start_ns: int,
        path: Callable[[], Trajectory],
        others: Mapping[str, float] | None = None,
    ) -> None:
        rng = stream(seed, "gauge")
        self._path, self._start_ns = path, start_ns
        self._peer = GaugePeer(gauge, rig, rng, others or {}, chance=stream(seed, "gauge fails"))
        self._sensor = GaugeSensor(
            rig.gauge, gauge.measuring_range_kpa, rng, path().pressure_pa(0.0)
        )
        self._asked = gauge.asked
        self.next_ns = NEVER if gauge.asked else start_ns + int(rng.random() * self._peer.period_ns)
        unplugs_s = self._peer.disconnects_s
        self.unplugs_ns = NEVER if unplugs_s == math.inf else start_ns + round(unplugs_s * 1e9)
        self._wire: deque[Line] = deque()
        self._free_ns = start_ns

    def follow(self, t_s: float) -> None:
        """Feed the sensor the pressure up to `t_s`, before its plan is replaced."""
        self._sensor.lagged.follow(self._path(), t_s)

    def enter(self) -> None:
        """A new plan of the pressure begins."""
        self._sensor.lagged.enter()

    def read(self, t_s: float) -> None:
        """Take the reading that is due, and send it."""
        now_ns, peer = self.next_ns, self._peer
        self.next_ns = now_ns + peer.period_ns
        self._send(peer.message(t_s, self._sensor.reading_kpa(self._path(), t_s)), now_ns)

    def ask(self, data: bytes, now_ns: int, t_s: float) -> None:
        """Receive bytes. They are treated as arriving at once: their time on the wire is short
        compared with the gauge's own."""
        question = self._peer.hear(data) if self._asked else b""
        if question:
            reading_kpa = self._sensor.reading_kpa(self._path(), t_s)
            self._send(self._peer.message(t_s, reading_kpa, question), now_ns + TURNAROUND_NS)

    def _send(self, data: bytes, now_ns: int) -> None:
        peer = self._peer
        start_ns = max(now_ns + peer.latency_ns, self._free_ns)
        if not data or start_ns > now_ns + peer.latency_ns + peer.period_ns:
            return  # nothing to say, or the wire is still busy with the last reply
        line = Line(start_ns, peer.byte_ns, data)
        self._free_ns = line.end_ns
        self._wire.append(line)

    def seen_ns(self, now_ns: int) -> int:
        """When the next whole line arrives, or the plug comes off."""
        line_ns = self._wire[0].end_ns if self._wire else NEVER
        return min(line_ns, self.unplugs_ns) if self.unplugs_ns > now_ns else line_ns

    def take_whole(self, now_ns: int) -> list[tuple[int, bytes]]:
        """Lines complete at `now_ns`: (instant of the last byte, bytes)."""
        taken, wire = [], self._wire
        while wire and wire[0].end_ns <= now_ns:
            line = wire.popleft()
            taken.append((line.end_ns, line.data))
        return taken

    def take_begun(self, now_ns: int) -> list[Line]:
        """Lines begun by `now_ns`, to be sent byte by byte."""
        taken, wire = [], self._wire
        while wire and wire[0].start_ns <= now_ns:
            taken.append(wire.popleft())
        return taken
