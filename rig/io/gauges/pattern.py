# SPDX-License-Identifier: MIT
"""The decoder of lines and marked frames: a line and its arrival in, readings out. Pure.

The pattern language itself is in rig.config.gauge.pattern, where a setup is checked.
"""

from __future__ import annotations

import functools
import operator
from collections.abc import Sequence

from rig.config.analog.channel_units import Linear, table_unit
from rig.config.gauge.marks import Marks
from rig.config.gauge.model import GaugeSetup
from rig.config.gauge.pattern import GaugePattern, PatternError, parse_pattern, read_number
from rig.core.records import Condition, Sample
from rig.io.gauges.channels import (
    FRAME_REJECTED,
    NO_NUMBER,
    OUT_OF_RANGE,
    UNIT_CHANGED,
    UNIT_UNKNOWN,
    Channel,
    Decoded,
    further_of,
    pressure_of,
    rejected,
)

__all__ = ["NO_NUMBER", "OUT_OF_RANGE", "UNIT_CHANGED", "UNIT_UNKNOWN"]
__all__ += ["FRAME_REJECTED", "PatternError", "StreamDecoder", "compile_pattern", "rejected"]

CHANNEL = "pressure"


class StreamDecoder:
    """Decodes lines of one pattern. Holds no state: the same line gives the same readings.

    `measuring_range_kpa` is what the gauge can show; a reading outside it keeps its value with the
    quality "out of range". `further` are the channels other than pressure.
    """

    def __init__(
        self,
        pattern: GaugePattern,
        measuring_range_kpa: tuple[float, float] | None,
        further: Sequence[Channel] = (),
    ) -> None:
        self._pattern = pattern
        unit = None if pattern.factor_kpa is None else Linear(pattern.factor_kpa)
        self._pressure = Channel(CHANNEL, unit, *(measuring_range_kpa or ()))
        self._further = tuple(further)

    @property
    def marks(self) -> Marks:
        """The framing of the lines that this decoder reads."""
        return self._pattern.marks

    def torn(self, before: bytes, line: bytes) -> bool:
        """Whether this line may be the rest of the frame that it began within, of which `before`
        had arrived: a start mark came in or took the place of a byte. A checksum tells, but not
        where what is missing adds up to nothing: "110.0" and "0.0" have the same exclusive or."""
        pattern = self._pattern
        if pattern.checksum is None or not before:
            return pattern.checksum is None
        if pattern.checksum == "sum":
            lost = -sum(before) & 0xFF
        else:
            lost = functools.reduce(operator.xor, before, 0)
        mark = len(pattern.marks.start)
        return any(
            pattern.regex.fullmatch(
                (line[:mark] + before + between + line[mark:]).decode("latin-1")
            )
            for between in ([bytes([lost])] if lost else [b"", b"\0"])
        )

    def decode(self, t_ns: int, line: bytes) -> Sample | Condition:
        """Decode the pressure from a line without its terminator; a Condition if it does not match.

        `t_ns` is passed on unaltered. Anything but a finite number in the expected unit gives a
        Sample without a value whose quality says why.
        """
        return self.readings(t_ns, line).items[0]

    def readings(self, t_ns: int, line: bytes) -> Decoded:
        """All readings of a line, the pressure first; one Condition if it does not match."""
        pattern = self._pattern
        found = pattern.regex.fullmatch(line.decode("latin-1"))
        if found is None:
            return Decoded([rejected(t_ns, line, "does not match the pattern")])
        if pattern.checksum is not None:
            text, at = found[pattern.checksum], found.start(pattern.checksum)
            sent = ord(text) if pattern.checksum == "bcc" else int(text, 16)
            if checksum(pattern.checksum, line[len(pattern.marks.start) : at]) != sent:
                return Decoded([rejected(t_ns, line, "has a wrong checksum")])
        items: list[Sample | Condition] = []
        said: Linear | None = None
        quality = ""
        if pattern.unit_in_line:
            said = table_unit(CHANNEL, found["unit"])
            if said is None and pattern.factor_kpa is None:
                quality = UNIT_UNKNOWN
            elif pattern.factor_kpa is not None and said != self._pressure.unit:
                quality = UNIT_CHANGED
        if not quality and found["word"] is not None:
            quality = NO_NUMBER
        if quality:
            items.append(Sample(CHANNEL, None, t_ns, quality))
        else:
            number = read_number(found["pressure"], pattern.decimal, pattern.thousands)
            items.append(self._pressure.sample(number, t_ns, said))
        for channel in self._further:
            if found[f"{channel.name}_word"] is not None:
                items.append(Sample(channel.name, None, t_ns, NO_NUMBER))
                continue
            number = read_number(found[channel.name], pattern.decimal, pattern.thousands)
            items.append(channel.sample(number, t_ns))
        return Decoded(items, None if said is None else said.factor)


def checksum(kind: str, data: bytes) -> int:
    """XOR of the bytes, or their sum modulo 256. A `$` or `!` at the beginning and a `*` at the end
    are excluded, as in NMEA 0183; a block check character (bcc) includes all."""
    if kind == "bcc":
        return functools.reduce(operator.xor, data, 0)
    data = data[1:] if data[:1] in (b"$", b"!") else data
    data = data.removesuffix(b"*")
    if kind == "sum":
        return sum(data) & 0xFF
    return functools.reduce(operator.xor, data, 0)


def compile_pattern(
    pattern: str, unit: str | None, measuring_range_kpa: tuple[float, float] | None = None
) -> StreamDecoder:
    """The decoder for a pattern and the setup's unit (None if every line states its own).

    Raises PatternError, a ValueError with position and remedy.
    """
    return StreamDecoder(parse_pattern(pattern, unit), measuring_range_kpa)


def line_decoder(gauge: GaugeSetup) -> StreamDecoder:
    """The decoder for a gauge of form stream or query. Raises PatternError."""
    if gauge.pattern is None:
        raise PatternError(0, "there is no pattern", 'write pattern = "{pressure} {unit}"')
    pattern = parse_pattern(gauge.pattern, gauge.unit, gauge.decimal, gauge.thousands)
    further = [further_of(channel) for channel in gauge.channels]
    return StreamDecoder(pattern, pressure_of(gauge)[2:], further)
