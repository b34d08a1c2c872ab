# SPDX-License-Identifier: MIT
"""Formatting of the simulated gauge's numbers: lines by a pattern, sentences, registers.

The far side of the cable, written from the descriptions of the forms and not from the decoders.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Mapping, Sequence

from rig.config.analog.channel_units import unit_of
from rig.config.gauge.marks import CONTROL
from rig.config.gauge.model import GaugeSetup, Registers, SentenceField
from rig.config.gauge.text import from_escapes

LINE_END = "\r\n"
_CONTROLS = "".join(map(chr, CONTROL.values()))
_XDR = {
    "pressure": ("P", "P", 1e3), "cylinder_pressure": ("P", "P", 1e3),
    "oil_temperature": ("C", "C", 1.0), "supply_voltage": ("U", "V", 1.0),
    "coil_current": ("I", "A", 1.0), "engine_speed": ("T", "R", 1.0),
}  # fmt: skip
_PARTS = {"comma": ",", "point": ".", "space": " ", "apostrophe": "'"}


def number_text(gauge: GaugeSetup, value: float, digits: int) -> str:
    """A number as this gauge writes it."""
    text = f"{value:,.{digits}f}" if gauge.thousands != "none" else f"{value:.{digits}f}"
    whole, point, rest = text.partition(".")
    whole = whole.replace(",", _PARTS.get(gauge.thousands, ""))
    return whole + (("," if gauge.decimal == "comma" else ".") + rest if point else "")


def parts_of(pattern: str) -> list[str]:
    """A pattern split at its fields."""
    return re.findall(r"\{\{|\}\}|\{[^{}]*\}|[^{}]+", pattern)


def line_text(pattern: Sequence[str], unit: str, texts: Mapping[str, str], count: int) -> str:
    """A line built from a pattern's parts: `texts` are the numbers by channel, `count` fills the
    text that does not matter. After an end mark no line end is sent."""
    parts: list[str] = []
    for part in pattern:
        if part in ("{{", "}}"):
            parts.append(part[0])
            continue
        if part[0] != "{":
            parts.append(part)
            continue
        name = part[1:-1].strip()
        if name in CONTROL:
            parts.append(chr(CONTROL[name]))
        elif name == "bcc":
            parts.append(chr(_exclusive_or("".join(parts).lstrip(_CONTROLS))))
        elif name in ("xor", "sum"):
            parts.append(f"{_check(name, ''.join(parts).lstrip(_CONTROLS)):02X}")
        elif name == "*":
            parts.append(str(count))
        else:
            parts.append(unit if name == "unit" else texts.get(name, "0"))
    framed = pattern[-1][1:-1].strip() in CONTROL or pattern[-1] == "{bcc}"
    checked_last = len(pattern) > 1 and pattern[-2][1:-1].strip() in CONTROL
    ended = framed or (pattern[-1] in ("{xor}", "{sum}") and checked_last)
    return "".join(parts) + ("" if ended else LINE_END)


def _check(kind: str, text: str) -> int:
    body = text.removeprefix("$").removesuffix("*")
    return sum(body.encode("latin-1")) % 256 if kind == "sum" else _exclusive_or(body)


def _exclusive_or(text: str) -> int:
    value = 0
    for byte in text.encode("latin-1"):
        value ^= byte
    return value


def sentence(gauge: GaugeSetup, numbers: Mapping[str, float | None]) -> str:
    """One NMEA 0183 sentence for each place in the setup; numbers in the channels' own units, None
    if over range."""
    places: list[tuple[str, SentenceField, str | None]] = []
    if gauge.nmea is not None:
        places.append(("pressure", gauge.nmea, gauge.unit))
    places += [(c.channel, c.nmea, c.unit) for c in gauge.channels if c.nmea is not None]
    lines: list[str] = []
    for channel, place, unit in places:
        value = numbers.get(channel)
        name = place.sentence if len(place.sentence) == 5 else f"II{place.sentence}"
        if place.transducer is not None:
            kind, letter, factor = _XDR[channel]
            if channel == "pressure" and unit is not None and unit.casefold().startswith("bar"):
                letter, factor = "B", 0.01
            shown = "" if value is None else f"{value * factor:.4f}"
            body = f"{name},{kind},{shown},{letter},{place.transducer}"
        else:
            scale = unit_of(channel, unit or "kPa")
            shown = "" if value is None else f"{(value - scale.offset) / scale.factor:.4f}"
            body = ",".join([name, *[""] * ((place.field or 1) - 1), shown])
        lines.append(f"${body}*{_check('xor', body):02X}{LINE_END}")
    return "".join(lines)


def answers(gauge: GaugeSetup, request: bytes) -> bool:
    """Whether this text is the query that the gauge waits for (form query)."""
    return request == from_escapes(gauge.ask or "")


def modbus_reply(gauge: GaugeSetup, request: bytes, numbers: Mapping[str, float | None]) -> bytes:
    """A device's reply to a request; empty if the request is not for it."""
    device = gauge.modbus
    if device is None or len(request) != 8 or request[0] != device.unit_address:
        return b""
    if _crc(request[:6]) != request[6:]:
        return b""
    function, address, count = request[1], *struct.unpack(">HH", request[2:6])
    places: list[tuple[str, Registers, str | None]] = [("pressure", device, gauge.unit)]
    places += [(c.channel, c.modbus, c.unit) for c in gauge.channels if c.modbus is not None]
    if function != {"holding": 3, "input": 4}[device.registers]:
        return _framed(bytes([request[0], function | 0x80, 1]))
    for channel, place, unit in places:
        if place.address == address:
            words = _words(place, numbers.get(channel), channel, unit)
            if len(words) == 2 * count:
                return _framed(bytes([request[0], function, len(words)]) + words)
    return _framed(bytes([request[0], function | 0x80, 2]))


def _words(place: Registers, value: float | None, channel: str, unit: str | None) -> bytes:
    scale = unit_of(channel, unit or "kPa")
    number = float("nan") if value is None else (value - scale.offset) / scale.factor
    number = (number - place.offset) / place.scale
    if place.type == "float32":
        data = struct.pack(">f", number)
    else:
        bits, signed = int(place.type[-2:]), place.type[0] == "i"
        least, most = (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
        held = most if number != number else min(max(round(number), least), most)
        data = held.to_bytes(bits // 8, "big", signed=signed)
    pairs = [data[at : at + 2] for at in range(0, len(data), 2)]
    if place.word_order in ("CDAB", "DCBA"):
        pairs.reverse()
    if place.word_order in ("BADC", "DCBA"):
        pairs = [pair[::-1] for pair in pairs]
    return b"".join(pairs)


def _framed(data: bytes) -> bytes:
    return data + _crc(data)


def _crc(data: bytes) -> bytes:
    """CRC-16 of Modbus over serial line 1.02, 6.2.2, low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return crc.to_bytes(2, "little")
