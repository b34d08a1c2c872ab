# SPDX-License-Identifier: MIT
"""Gauges on their port: one that sends at its own pace, and the parts common to all gauges."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from rig.config.gauge.model import GaugeSetup
from rig.core.clock import NS_PER_S, Clock
from rig.core.records import GOOD, Condition, Sample
from rig.io.gauges.channels import FRAME_REJECTED, UNIT_CHANGED, Decoded, rejected
from rig.io.gauges.framing import BadFrame, LineFramer
from rig.io.gauges.links import ByteLink, LinkLost
from rig.io.gauges.nmea import NmeaDecoder
from rig.io.gauges.pattern import line_decoder

GAUGE_LOST = "gauge lost"
GAUGE_BACK = "gauge back"
CUT_IN = "began within another frame, so digits before it may be missing, and no checksum can tell"

REJECTED_MOST = 20
"""Rate limit: rejected frames reported singly in one second; more are counted and reported as a
number."""


class Decoder(Protocol):
    """One line in, readings out."""

    def readings(self, t_ns: int, line: bytes) -> Decoded: ...


def _never_torn(_before: bytes, _line: bytes) -> bool:
    """Of lines without start marks."""
    return False


class AnyGauge:
    """The parts common to gauges of every form. Any fault on the wire becomes a Sample or a
    Condition.

    Public counters: `frames_ok`, `frames_rejected`, and `last_good`, the last believable reading of
    each channel.
    """

    def __init__(self, link: ByteLink, clock: Clock) -> None:
        self._link, self._clock = link, clock
        self._opened = link.opened
        self._second_ns = self._told = self._untold = 0
        self._factor: float | None = None
        self.frames_ok = 0
        self.frames_rejected = 0
        self.good: dict[str, Sample] = {}
        self.tap: list[tuple[int, bytes]] | None = None
        """If set to a list, raw bytes are added to it as well, for a person to look at."""

    @property
    def last_good(self) -> Sample | None:
        """The last believable pressure."""
        return self.good.get("pressure")

    def fileno(self) -> int | None:
        return self._link.fileno()

    def age_s(self) -> float | None:
        """Age of the last good pressure; None if there was none."""
        if self.last_good is None:
            return None
        return (self._clock.now_ns() - self.last_good.t_ns) / NS_PER_S

    def close(self) -> None:
        self._link.close()

    def _arrived(self, out: list[Sample | Condition]) -> list[tuple[int, bytes]] | None:
        """What arrived; None if the link was lost, with the loss added to `out`."""
        try:
            pieces = list(self._link.read())
        except LinkLost as lost:
            out.append(Condition(GAUGE_LOST, lost.t_ns, lost.detail))
            return None
        if self._link.opened != self._opened:
            self._opened = self._link.opened
            self._reopened()
            out.append(
                Condition(GAUGE_BACK, self._clock.now_ns(), f"opened {self._opened} times so far")
            )
        if self.tap is not None:
            self.tap += pieces
        return pieces

    def _reopened(self) -> None:
        """Discard what was half received."""

    def _take(self, decoded: Decoded, out: list[Sample | Condition]) -> None:
        """Count and pass on the content of a frame.

        A pressure in another unit than the first is not believed, even if the unit is known:
        somebody has pressed a button, and it is not certain from which line on.
        """
        changed = None not in (decoded.factor, self._factor) and decoded.factor != self._factor
        for item in decoded.items:
            if isinstance(item, Condition):
                self.frames_rejected += 1
                self._tell(item, out)
                continue
            if changed and item.channel == "pressure":
                item = Sample(item.channel, None, item.t_ns, UNIT_CHANGED)
            if item.quality == GOOD:
                self.good[item.channel] = item
                if item.channel == "pressure":
                    self._factor = decoded.factor
            out.append(item)
        self.frames_ok += any(isinstance(item, Sample) for item in decoded.items)

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


class StreamGauge(AnyGauge):
    """The GaugePort of a gauge that sends lines or sentences at its own pace."""

    def __init__(self, link: ByteLink, clock: Clock, gauge: GaugeSetup) -> None:
        super().__init__(link, clock)
        self._decoder: Decoder
        self._torn: Callable[[bytes, bytes], bool] = _never_torn
        if gauge.form == "nmea":
            self._decoder, self._framer = NmeaDecoder(gauge), LineFramer()
        else:
            self._decoder = lines = line_decoder(gauge)
            self._framer, self._torn = LineFramer(marks=lines.marks), lines.torn
        self._settle_ns = int(gauge.settle_s * NS_PER_S)
        self._listens_ns = clock.now_ns() + self._settle_ns

    def read(self) -> list[Sample | Condition]:
        """All readings and conditions since the last call, in order of arrival."""
        out: list[Sample | Condition] = []
        for t_ns, data in self._arrived(out) or ():
            if t_ns < self._listens_ns:
                continue
            for frame in self._framer.feed(t_ns, data):
                if isinstance(frame, BadFrame):
                    decoded = Decoded([rejected(frame.t_ns, frame.data, frame.why)])
                elif frame.cut_in is not None and self._torn(frame.cut_in, frame.data):
                    decoded = Decoded([rejected(frame.t_ns, frame.data, CUT_IN)])
                else:
                    decoded = self._decoder.readings(frame.t_ns, frame.data)
                self._take(decoded, out)
        return out

    def _reopened(self) -> None:
        self._framer.reset()
        self._listens_ns = self._clock.now_ns() + self._settle_ns
