# SPDX-License-Identifier: MIT
"""A gauge that sends only when polled: one request, one reply, never a wait.

Each call of read() does what is due: send the next request, read what has arrived of its reply, or
give up at its deadline. After a failed reply, the request is not repeated before its next turn, so
that a sick gauge shows as stale within the interlock's time.

Nothing in a Modbus reply says which register it is for: its content cannot distinguish a late reply
from that to the next request. So after a request that was given up

1. the wire rests for REST_TIMES timeouts; anything that arrives is reported and dropped;
2. the reply to the next request is dropped too, since it may be the late one;
3. the wire rests for one more timeout; anything that arrives then shows that it was the late one,
   and 2 is repeated.

A reading is believed only after a reply in time and a silent wire. A device that replies in the
order of the requests, however late, never puts a reading in the wrong channel unless its lateness
jumps from request to request; one that replies out of order, up to four timeouts late.
"""

from __future__ import annotations

from typing import Protocol

from rig.config.gauge.model import GaugeSetup
from rig.config.gauge.text import from_escapes
from rig.core.clock import NS_PER_S, Clock
from rig.core.records import Condition, Sample
from rig.io.gauges.channels import FRAME_REJECTED, Decoded, rejected
from rig.io.gauges.framing import BadFrame, Line, LineFramer
from rig.io.gauges.links import ByteLink
from rig.io.gauges.modbus import RegisterRead, Reply, register_reads
from rig.io.gauges.pattern import StreamDecoder, line_decoder
from rig.io.gauges.streaming import AnyGauge

NO_ANSWER = "gauge gave no answer"
NOT_SENT = "request not sent"
LATE = "gauge answers late"

SILENCE_CHARACTERS = 3.5
"""Silence on the wire between a reply and the next request (Modbus over serial line 1.02,
2.5.1.1)."""
SILENCE_LEAST_S = 0.00175
"""The same above 19,200 baud (ibidem)."""


REST_TIMES = 2
"""Number of timeouts for which the wire rests after a request that was given up."""


class Exchange(Protocol):
    """A request, and the decoder of its reply."""

    request: bytes

    def take(self, t_ns: int, data: bytes) -> Reply | None: ...


class LineExchange:
    """A text request, and the line or marked frame that answers it."""

    def __init__(self, request: bytes, decoder: StreamDecoder) -> None:
        self.request, self._decoder = request, decoder
        self.factor: float | None = None

    def take(self, t_ns: int, data: bytes) -> Reply | None:
        """The readings of the first whole frame of `data`; None while there is none."""
        framer = LineFramer(marks=self._decoder.marks, whole=True)
        frames: list[Line | BadFrame] = []
        used = 0
        while not frames and used < len(data):
            frames = framer.feed(t_ns, data[used : used + 1])
            used += 1
        if not frames:
            return None
        frame = frames[0]
        if isinstance(frame, BadFrame):
            return Reply([rejected(t_ns, frame.data, frame.why)], used, whole=False)
        decoded = self._decoder.readings(t_ns, frame.data)
        self.factor = decoded.factor
        read = not any(isinstance(item, Condition) for item in decoded.items)
        return Reply(decoded.items, used, whole=read)


class AskedGauge(AnyGauge):
    """The GaugePort of a gauge of form query or modbus."""

    def __init__(self, link: ByteLink, clock: Clock, gauge: GaugeSetup) -> None:
        super().__init__(link, clock)
        self._exchanges = _exchanges(gauge)
        self._period_ns = int(gauge.period_s * NS_PER_S)
        self._reply_limit_ns = int(gauge.reply_within_s * NS_PER_S)
        silence_s = max(SILENCE_CHARACTERS * gauge.byte_s, SILENCE_LEAST_S)
        self._silence_ns = int(silence_s * NS_PER_S)
        self._byte_ns, self._echo = gauge.byte_s * NS_PER_S, gauge.echo
        self._settle_ns = int(gauge.settle_s * NS_PER_S)
        self._turn = 0
        """Index of the current or next exchange."""
        self._buffer = b""
        self._echoing = b""
        self._asked_ns: int | None = None
        self._cycle_ns = self._due_ns = clock.now_ns() + self._settle_ns
        self._rests_ns = self._due_ns
        """No request is sent before this, even if due."""
        self._doubt = False
        """Whether the next reply may be a late one."""
        self._since_ns: int | None = None
        """While the wire rests: when the request was sent whose reply may come late."""
        self.unanswered = 0
        self.latency_ns: int | None = None
        """From the last request to the last byte of its reply."""

    @property
    def next_ns(self) -> int:
        """When read() has work to do even if nothing arrives."""
        if self._asked_ns is not None:
            return self._asked_ns + self._reply_limit_ns
        return max(self._due_ns, self._rests_ns)

    def read(self) -> list[Sample | Condition]:
        """All readings and conditions since the last call, in order of arrival."""
        out: list[Sample | Condition] = []
        pieces = self._arrived(out)
        if pieces is None:
            self._reopened()
            return out
        for t_ns, data in pieces:
            self._see(t_ns, data, out)
        now_ns = self._clock.now_ns()
        if self._asked_ns is not None and now_ns - self._asked_ns > self._reply_limit_ns:
            self._give_up(now_ns, out)
        if self._asked_ns is None and now_ns >= self.next_ns and self._link.up:
            self._ask(now_ns, out)
        return out

    def _see(self, t_ns: int, data: bytes, out: list[Sample | Condition]) -> None:
        if self._asked_ns is None:
            if self._since_ns is not None and t_ns < self._rests_ns:
                self._late(t_ns, self._since_ns, out)
            return  # else noise: no request was sent
        self._buffer += data
        if self._echoing:
            n = min(len(self._echoing), len(self._buffer))
            if self._buffer[:n] != self._echoing[:n]:
                why = "is no echo of the request; look at the key echo"
                self._take(Decoded([rejected(t_ns, self._buffer, why)]), out)
                self._failed(t_ns)
                return
            self._echoing, self._buffer = self._echoing[n:], self._buffer[n:]
            if self._echoing:
                return
        exchange = self._exchanges[self._turn]
        reply = exchange.take(t_ns, self._buffer)
        if reply is None:
            return
        if self._doubt:
            self._drop(t_ns, out)
            return
        factor = exchange.factor if isinstance(exchange, LineExchange) else None
        self.latency_ns = t_ns - self._asked_ns
        self._take(Decoded(reply.items, factor), out)
        if reply.whole:
            self._next(t_ns)
        else:
            self._failed(t_ns)

    def _failed(self, t_ns: int) -> None:
        """What arrived is no reply: the reply itself may still come, and has its time."""
        over_ns = (self._asked_ns or t_ns) + self._reply_limit_ns
        self._next(t_ns)
        self._rests_ns = over_ns

    def _drop(self, t_ns: int, out: list[Sample | Condition]) -> None:
        """Drop the reply after a request that was given up; a silent wire then ends the doubt."""
        asked_ns, turn = self._asked_ns, self._turn
        why = "was not believed: it may be the late reply to the request before"
        self._take(Decoded([rejected(t_ns, self._buffer, why)]), out)
        self._doubt = False
        self._next(t_ns)
        self._turn = turn  # one more time, or a register that never answers would starve the others
        self._since_ns, self._rests_ns = asked_ns, t_ns + self._reply_limit_ns

    def _late(self, t_ns: int, since_ns: int, out: list[Sample | Condition]) -> None:
        """Handle bytes while the wire rests; reported once per rest."""
        self._doubt, self._since_ns = True, None
        self.frames_rejected += 1
        words = f"{(t_ns - since_ns) / 1e6:.0f} ms after it was asked"
        words += f"; waited for {self._reply_limit_ns / 1e6:.0f} ms: lengthen the key reply_within"
        self._tell(Condition(LATE, t_ns, words), out)

    def _give_up(self, now_ns: int, out: list[Sample | Condition]) -> None:
        self.unanswered += 1
        waited_ms = self._reply_limit_ns / 1e6
        if self._buffer:
            why = f"is no whole reply after {waited_ms:.0f} ms"
            self._take(Decoded([rejected(now_ns, self._buffer, why)]), out)
        else:
            self.frames_rejected += 1
            words = f"nothing within {waited_ms:.0f} ms"
            if self._echoing and self._echo:
                words = f"not even the echo of the request within {waited_ms:.0f} ms"
            self._tell(Condition(NO_ANSWER, now_ns, words), out)
        asked_ns, self._doubt = self._asked_ns, True
        self._next(now_ns)
        self._since_ns, self._rests_ns = asked_ns, now_ns + REST_TIMES * self._reply_limit_ns

    def _next(self, now_ns: int) -> None:
        """The wire is free: the next request has its time."""
        self._buffer, self._echoing, self._asked_ns = b"", b"", None
        self._turn = (self._turn + 1) % len(self._exchanges)
        self._due_ns = now_ns + self._silence_ns
        if self._turn == 0:  # a cycle is done; one that overran its time starts again
            self._cycle_ns += self._period_ns
            if self._cycle_ns < self._due_ns:
                self._cycle_ns = self._due_ns
            self._due_ns = self._cycle_ns

    def _ask(self, now_ns: int, out: list[Sample | Condition]) -> None:
        self._since_ns = None
        request = self._exchanges[self._turn].request
        self._link.discard()
        if self._link.write(request):
            self._asked_ns = now_ns + round(len(request) * self._byte_ns)
            self._echoing = request if self._echo else b""
        else:
            self._tell(Condition(NOT_SENT, now_ns, "the port takes no more bytes"), out)
            self._next(now_ns)

    def _reopened(self) -> None:
        self._buffer, self._echoing, self._asked_ns, self._turn = b"", b"", None, 0
        self._cycle_ns = self._due_ns = self._clock.now_ns() + self._settle_ns
        self._rests_ns, self._doubt, self._since_ns = self._due_ns, False, None


def _exchanges(gauge: GaugeSetup) -> list[Exchange]:
    if gauge.form == "modbus":
        reads: list[Exchange] = list[Exchange](register_reads(gauge))
        return reads
    return [LineExchange(from_escapes(gauge.ask or ""), line_decoder(gauge))]


__all__ = ["FRAME_REJECTED", "NOT_SENT", "NO_ANSWER", "AskedGauge", "LineExchange", "RegisterRead"]
