# SPDX-License-Identifier: MIT
"""The far side of the gauge's cable: lines by the setup's pattern, as bytes at byte time."""

from __future__ import annotations

import math
import random
import re
from typing import NamedTuple

from rig.config.gauge_units import factor_kpa
from rig.config.plant_parts import GaugePart
from rig.config.setup import GaugeSetup

OVER_RANGE = "OL"
LINE_END = "\r\n"
NS = 1_000_000_000


class Line(NamedTuple):
    """Bytes on the wire: the first begins at `start_ns`, each takes `byte_ns`."""

    start_ns: int
    byte_ns: float
    data: bytes

    @property
    def end_ns(self) -> int:
        """When the last byte is there."""
        return self.byte_end_ns(len(self.data))

    def byte_end_ns(self, count: int) -> int:
        """When `count` bytes are there."""
        return self.start_ns + round(count * self.byte_ns)

    def arrived(self, t_ns: int) -> int:
        """How many bytes are there at `t_ns`."""
        if t_ns >= self.end_ns:
            return len(self.data)
        return max(int((t_ns - self.start_ns) / self.byte_ns), 0)


class GaugePeer:
    """Formats readings and knows how the gauge fails."""

    def __init__(
        self, gauge: GaugeSetup, part: GaugePart, fails_from_s: float, rng: random.Random
    ) -> None:
        self._fails, self._fails_from_s, self._rng = part.fails, fails_from_s, rng
        self._unit = gauge.unit or part.unit
        self._factor = factor_kpa(self._unit)
        step = part.resolution_kpa / self._factor
        self._digits = max(math.ceil(-math.log10(step)) + 1, 0)
        while self._digits and math.isclose(round(step, self._digits - 1), step, rel_tol=1e-9):
            self._digits -= 1  # no more digits than the step needs
        self._template, self._counts = _template(gauge.pattern, self._unit)
        bits = 1 + gauge.bytesize + (gauge.parity != "none") + gauge.stopbits
        self.byte_ns = NS * bits / gauge.baud
        self.latency_ns = round(gauge.latency_s * NS)
        self.period_ns = max(round(gauge.period_s * (1.0 + part.clock_error) * NS), 1)
        self._count = 0
        self._frozen: bytes | None = None

    @property
    def disconnects_s(self) -> float:
        """When its plug comes off."""
        return self._fails_from_s if self._fails == "disconnected" else math.inf

    def message(self, t_s: float, reading_kpa: float | None) -> bytes:
        """What it sends for a reading taken at `t_s` (None: over range); may be nothing."""
        fails = self._fails if t_s >= self._fails_from_s else None
        if fails in ("silent", "disconnected"):
            return b""
        if fails == "NaN":
            number = "nan"
        elif reading_kpa is None:
            number = OVER_RANGE
        else:
            number = f"{reading_kpa / self._factor:.{self._digits}f}"
        line = self._line(number)
        if fails == "garbage":
            return bytes(self._rng.randrange(256) for _ in line)
        if fails == "frozen":
            if self._frozen is None:
                self._frozen = line
            return self._frozen
        return line

    def _line(self, number: str) -> bytes:
        if not self._counts:
            return (self._template % number).encode("ascii")
        self._count += 1
        return (self._template % {"n": number, "i": self._count}).encode("ascii")


def _template(pattern: str, unit: str) -> tuple[str, bool]:
    """The pattern as a %-format of the number, and whether it also wants a count, which stands
    for the text that does not matter."""
    counts = "{*}" in pattern.replace(" ", "")
    number = "%(n)s" if counts else "%s"
    parts: list[str] = []
    for part in re.findall(r"\{\{|\}\}|\{[^{}]*\}|[^{}]+", pattern):
        if part in ("{{", "}}"):
            parts.append(part[0])
        elif part[0] == "{":
            name = part[1:-1].strip()
            parts.append({"pressure": number, "*": "%(i)d"}.get(name, unit.replace("%", "%%")))
        else:
            parts.append(part.replace("%", "%%"))
    return "".join(parts) + LINE_END, counts
