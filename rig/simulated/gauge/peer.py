# SPDX-License-Identifier: MIT
"""The far side of the gauge's cable: lines, sentences or replies, one byte per byte time."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from typing import NamedTuple

from rig.config.analog.channel_units import unit_of
from rig.config.gauge.model import GaugeSetup
from rig.config.gauge.units import factor_kpa
from rig.config.plant.model import SimulatedRig
from rig.simulated.gauge import forms

OVER_RANGE = "OL"
NS = 1_000_000_000
TURNAROUND_NS = 2_000_000
"""From the last byte of a question to the first of the answer."""


class Line(NamedTuple):
    """Bytes on the wire: the first begins at `start_ns`, each takes `byte_ns`."""

    start_ns: int
    byte_ns: float
    data: bytes

    @property
    def end_ns(self) -> int:
        """When the last byte has arrived."""
        return self.byte_end_ns(len(self.data))

    def byte_end_ns(self, count: int) -> int:
        """When `count` bytes have arrived."""
        return self.start_ns + round(count * self.byte_ns)

    def arrived(self, t_ns: int) -> int:
        """How many bytes have arrived at `t_ns`."""
        if t_ns >= self.end_ns:
            return len(self.data)
        return max(int((t_ns - self.start_ns) / self.byte_ns), 0)


class GaugePeer:
    """Formats readings and models how the gauge fails. `others` are the values of its further
    channels, in the channels' own units."""

    def __init__(
        self,
        gauge: GaugeSetup,
        rig: SimulatedRig,
        rng: random.Random,
        others: Mapping[str, float] | None = None,
        *,
        chance: random.Random,
    ) -> None:
        """`chance` decides which readings an intermittently failing gauge spoils."""
        part, really = rig.gauge, rig.wiring
        if really.gauge_decimal is not None:
            gauge = gauge.model_copy(update={"decimal": really.gauge_decimal})
        self._gauge, self._others = gauge, others or {}
        self._fails, self._fails_from_s, self._rng = part.fails, rig.fault_after_s, rng
        self._fails_share, self._chance = part.fails_share, chance
        self._unit = gauge.unit or part.unit
        self._factor = factor_kpa(really.gauge_unit or self._unit)
        self._wrong = factor_kpa(self._unit) / self._factor
        """Converts a number in the unit it really counts in to its apparent value in the stated
        unit."""
        step = part.resolution_kpa / self._factor
        self._digits = max(math.ceil(-math.log10(step)) + 1, 0)
        while self._digits and math.isclose(round(step, self._digits - 1), step, rel_tol=1e-9):
            self._digits -= 1  # no more digits than the resolution needs
        self._other_texts = {name: self._other(name) for name in self._others}
        self._parts = forms.parts_of(gauge.pattern or "")
        self.byte_ns = NS * gauge.byte_s
        self.latency_ns = round(gauge.latency_s * NS)
        self.period_ns = max(round(gauge.period_s * (1.0 + part.clock_error) * NS), 1)
        self._asked = b""
        self._count = 0
        self._frozen: bytes | None = None

    @property
    def disconnects_s(self) -> float:
        """When its plug comes off."""
        return self._fails_from_s if self._fails == "disconnected" else math.inf

    def hear(self, data: bytes) -> bytes:
        """Receive bytes; returns the complete question if they finish one, or nothing."""
        self._asked = (self._asked + data)[-256:]
        if self._gauge.form == "query" and forms.answers(self._gauge, self._asked):
            whole, self._asked = self._asked, b""
            return whole
        if self._gauge.form == "modbus" and len(self._asked) >= 8:
            whole, self._asked = self._asked[-8:], b""
            return whole
        return b""

    def message(self, t_s: float, reading_kpa: float | None, question: bytes = b"") -> bytes:
        """What it sends for a reading taken at `t_s` (None: over range); may be nothing."""
        fails = self._fails if t_s >= self._fails_from_s else None
        if fails is not None and not self._chance.random() < self._fails_share:
            fails = None
        if fails in ("silent", "disconnected"):
            return b""
        data = self._data(reading_kpa, question, no_number=fails == "NaN")
        if fails == "garbage":
            return bytes(self._rng.randrange(256) for _ in data)
        if fails == "frozen":
            if self._frozen is None:
                self._frozen = data
            return self._frozen
        return data

    def _data(self, reading_kpa: float | None, question: bytes, *, no_number: bool) -> bytes:
        gauge = self._gauge
        if gauge.form in ("modbus", "nmea"):
            shown = None if no_number or reading_kpa is None else reading_kpa * self._wrong
            numbers = {**self._others, "pressure": shown}
            if gauge.form == "modbus":
                return forms.modbus_reply(gauge, question, numbers)
            return forms.sentence(gauge, numbers).encode("ascii")
        if no_number:
            text = "nan"
        elif reading_kpa is None:
            text = OVER_RANGE
        else:
            text = forms.number_text(gauge, reading_kpa / self._factor, self._digits)
        texts = {**self._other_texts, "pressure": text}
        self._count += 1
        return forms.line_text(self._parts, self._unit, texts, self._count).encode("latin-1")

    def _other(self, name: str) -> str:
        channel = next((c for c in self._gauge.channels if c.channel == name), None)
        if channel is None or channel.unit is None:
            return "0"
        scale = unit_of(name, channel.unit)
        value = (self._others[name] - scale.offset) / scale.factor
        return forms.number_text(self._gauge, value, 2)
