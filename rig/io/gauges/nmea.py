# SPDX-License-Identifier: MIT
"""NMEA 0183 sentences: check them and extract the wanted numbers. Pure.

A sentence is `$` or `!`, an address of five characters (talker and sentence), fields between
commas, `*` and two hexadecimal digits: the exclusive or of all characters between `$` and `*`. In a
transducer sentence (XDR) the fields come in fours: type, number, unit, name. The letters of type
and unit are from memory.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from rig.config.analog.channel_units import Linear
from rig.config.gauge.model import GaugeSetup, SentenceField
from rig.config.gauge.pattern import read_number
from rig.core.records import Condition, Sample
from rig.io.gauges.channels import (
    NO_NUMBER,
    UNIT_CHANGED,
    UNIT_UNKNOWN,
    Channel,
    Decoded,
    further_of,
    pressure_of,
    rejected,
)
from rig.io.gauges.pattern import checksum

_SENTENCE = re.compile(rb"[ \t]*([$!]([A-Z0-9]{5})((?:,[\x20-\x29\x2b-\x7e]*)?)\*)([0-9A-Fa-f]{2})")
_NUMBER = re.compile(r"[+-]?[0-9]+(?:\.[0-9]*)?|[+-]?\.[0-9]+")
UNITS: dict[tuple[str, str], dict[str, Linear]] = {
    ("pressure", "P"): {"P": Linear(1e-3), "B": Linear(100.0)},
    ("cylinder_pressure", "P"): {"P": Linear(1e-3), "B": Linear(100.0)},
    ("oil_temperature", "C"): {"C": Linear(1.0), "K": Linear(1.0, -273.15)},
    ("supply_voltage", "U"): {"V": Linear(1.0)},
    ("coil_current", "I"): {"A": Linear(1.0)},
    ("engine_speed", "T"): {"R": Linear(1.0)},
}
"""Unit letters of XDR by channel and type letter."""


class _Wanted(NamedTuple):
    channel: Channel
    place: SentenceField


class NmeaDecoder:
    """Extracts the wanted fields from sentences. Holds no state."""

    def __init__(self, gauge: GaugeSetup) -> None:
        if gauge.nmea is None:
            raise ValueError("the setup's gauge has no table nmea")
        self._wanted = [_Wanted(pressure_of(gauge), gauge.nmea)]
        for channel in gauge.channels:
            if channel.nmea is not None:
                self._wanted.append(_Wanted(further_of(channel), channel.nmea))

    def readings(self, t_ns: int, line: bytes) -> Decoded:
        """The readings of one line; none for a good sentence without any wanted field."""
        found = _SENTENCE.fullmatch(line.rstrip(b" \t"))
        if found is None:
            return Decoded([rejected(t_ns, line, "is not an NMEA 0183 sentence with a checksum")])
        if checksum("xor", found[1]) != int(found[4], 16):
            return Decoded([rejected(t_ns, line, "has a wrong checksum")])
        address, fields = found[2].decode(), found[3].decode().split(",")[1:]
        items: list[Sample | Condition] = []
        factor: float | None = None
        for channel, place in self._wanted:
            if not address.endswith(place.sentence):
                continue
            if place.transducer is not None:
                taken = _transducer(channel, place.transducer, fields, t_ns)
            else:
                taken = _field(channel, place.field or 1, fields, t_ns)
            if taken is None:
                continue
            sample, unit = taken
            items.append(sample)
            if channel.name == "pressure" and unit is not None:
                factor = unit.factor
        return Decoded(items, factor)


def _field(
    channel: Channel, number: int, fields: list[str], t_ns: int
) -> tuple[Sample, Linear | None]:
    text = fields[number - 1].strip() if number <= len(fields) else ""
    if not _NUMBER.fullmatch(text):
        return Sample(channel.name, None, t_ns, NO_NUMBER), None
    return channel.sample(read_number(text), t_ns), None


def _transducer(
    channel: Channel, name: str, fields: list[str], t_ns: int
) -> tuple[Sample, Linear | None] | None:
    """The reading of the transducer with this name; None if the sentence has none."""
    for at in range(0, len(fields) - 3, 4):
        kind, text, letter, who = (field.strip() for field in fields[at : at + 4])
        if who != name:
            continue
        unit = UNITS.get((channel.name, kind), {}).get(letter)
        if unit is None:
            return Sample(channel.name, None, t_ns, UNIT_UNKNOWN), None
        if channel.unit is not None and unit != channel.unit:
            return Sample(channel.name, None, t_ns, UNIT_CHANGED), unit
        if not _NUMBER.fullmatch(text):
            return Sample(channel.name, None, t_ns, NO_NUMBER), unit
        return channel.sample(read_number(text), t_ns, unit), unit
    return None
