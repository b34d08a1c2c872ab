# SPDX-License-Identifier: MIT
"""A gauge that sends lines at its own pace: link, framing and decoder put together."""

from __future__ import annotations

from rig.config.setup import GaugeSetup
from rig.core.clock import NS_PER_S, Clock
from rig.core.records import GOOD, Condition, Sample
from rig.io.gauges.framing import Line, LineFramer
from rig.io.gauges.pattern import FRAME_REJECTED, compile_pattern, rejected
from rig.io.links import ByteLink, LinkLost

GAUGE_LOST = "gauge lost"
GAUGE_BACK = "gauge back"

REJECTED_MOST = 20
"""Rejected frames told singly in one second; the others are counted and told as a number."""


class StreamGauge:
    """The GaugePort of a stream gauge. Whatever the wire does becomes a Sample or a Condition.

    Counters for whoever looks: `frames_ok`, `frames_rejected`, and `last_good`, the last reading
    that may be believed, with its age in `age_s`.
    """

    def __init__(self, link: ByteLink, clock: Clock, gauge: GaugeSetup) -> None:
        self._link, self._clock = link, clock
        self._decoder = compile_pattern(gauge.pattern, gauge.unit, gauge.measuring_range_kpa)
        self._framer = LineFramer()
        self._opened = link.opened
        self._second_ns = self._told = self._untold = 0
        self.frames_ok = 0
        self.frames_rejected = 0
        self.last_good: Sample | None = None

    def fileno(self) -> int | None:
        return self._link.fileno()

    def read(self) -> list[Sample | Condition]:
        """All readings and conditions since the last call, in order of arrival."""
        out: list[Sample | Condition] = []
        try:
            pieces = self._link.read()
        except LinkLost as lost:
            return [Condition(GAUGE_LOST, lost.t_ns, lost.detail)]
        if self._link.opened != self._opened:
            self._opened = self._link.opened
            self._framer.reset()
            out.append(
                Condition(GAUGE_BACK, self._clock.now_ns(), f"opened {self._opened} times so far")
            )
        for t_ns, data in pieces:
            for frame in self._framer.feed(t_ns, data):
                if isinstance(frame, Line):
                    self._take(self._decoder.decode(frame.t_ns, frame.data), out)
                else:
                    self._take(rejected(frame.t_ns, frame.data, frame.why), out)
        return out

    def age_s(self) -> float | None:
        """Age of the last good reading; None where there was none."""
        if self.last_good is None:
            return None
        return (self._clock.now_ns() - self.last_good.t_ns) / NS_PER_S

    def close(self) -> None:
        self._link.close()

    def _take(self, item: Sample | Condition, out: list[Sample | Condition]) -> None:
        if isinstance(item, Condition):
            self.frames_rejected += 1
            self._tell(item, out)
            return
        self.frames_ok += 1
        if item.quality == GOOD:
            self.last_good = item
        out.append(item)

    def _tell(self, condition: Condition, out: list[Sample | Condition]) -> None:
        """A wire full of garbage must not fill the record: above a rate, count instead."""
        if condition.t_ns - self._second_ns >= NS_PER_S:
            if self._untold:
                out.append(
                    Condition(FRAME_REJECTED, condition.t_ns, f"{self._untold} more, not told")
                )
            self._second_ns, self._told, self._untold = condition.t_ns, 0, 0
        if self._told < REJECTED_MOST:
            self._told += 1
            out.append(condition)
        else:
            self._untold += 1
