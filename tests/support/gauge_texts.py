# SPDX-License-Identifier: MIT
"""Gauges of every form for tests, and a wire in virtual time on which they are played."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from rig.config.gauge.model import GaugeSetup
from rig.core.clock import VirtualClock
from rig.core.records import Condition, Sample
from rig.io.gauges.links import MemoryLink
from rig.io.gauges.polled import AskedGauge

MS = 1_000_000


def gauge_setup(**changes: Any) -> GaugeSetup:
    return GaugeSetup.model_validate(
        {
            "port": "/dev/serial/by-id/none",
            "pattern": "{pressure} {unit}",
            "period": 0.1,
            "measuring_range": (0.0, 700.0),
            "expected_range": (100.0, 400.0),
        }
        | changes,
        context={"resolved": True},
    )


def crc(data: bytes) -> bytes:
    """Bit by bit from the specification's flow chart, apart from the program's and pymodbus's."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            odd, value = value & 1, value >> 1
            if odd:
                value ^= 0xA001
    return bytes([value & 0xFF, value >> 8])


def whole(data: bytes) -> bytes:
    return data + crc(data)


def modbus(**changes: Any) -> GaugeSetup:
    """Unit 1, holding register 0x6B, 16 bits, in kPa, unless changed."""
    place = {"address": 0x6B, "type": "int16"} | changes.pop("modbus", {})
    return gauge_setup(
        **({"form": "modbus", "pattern": None, "unit": "kPa", "modbus": place} | changes)
    )


def query(**changes: Any) -> GaugeSetup:
    return gauge_setup(
        **({"form": "query", "ask": r"MEAS:PRES?\n", "pattern": "{pressure}", "unit": "kPa"}
           | changes)
    )  # fmt: skip


def nmea(**changes: Any) -> GaugeSetup:
    place = changes.pop("nmea", {"sentence": "XDR", "transducer": "OILP"})
    return gauge_setup(**({"form": "nmea", "pattern": None, "nmea": place} | changes))


class AskedWire:
    """An asked gauge on a link in memory. `replies` gives what comes back for a request, and how
    long after it; None: nothing comes."""

    def __init__(self, gauge: GaugeSetup) -> None:
        self.clock, self.link = VirtualClock(), MemoryLink()
        self.sent: list[tuple[int, bytes]] = []
        self.link.sent = lambda data: self.sent.append((self.clock.now_ns(), data))
        self.gauge = AskedGauge(self.link, self.clock, gauge)
        self.replies: Callable[[bytes], list[tuple[int, bytes]]] = lambda _: []
        self._due: list[tuple[int, bytes]] = []

    def run_ms(self, until_ms: float, step_ms: float = 1.0) -> list[Sample | Condition]:
        """Let the loop turn every `step_ms`; everything that came out."""
        out: list[Sample | Condition] = []
        while self.clock.now_ns() < until_ms * MS:
            before = len(self.sent)
            out += self.gauge.read()
            for at, request in self.sent[before:]:
                self._due += [(at + late, data) for late, data in self.replies(request)]
            self.clock.advance_to(self.clock.now_ns() + round(step_ms * MS))
            now = self.clock.now_ns()
            for at, data in [one for one in self._due if one[0] <= now]:
                self.link.feed(at, data)
            self._due = [one for one in self._due if one[0] > now]
        return out
