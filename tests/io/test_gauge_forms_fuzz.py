# SPDX-License-Identifier: MIT
"""Random and mutated frames through every decoder: no exception, no value that was not sent.

A mutated frame that still decodes must decode to what an oracle of a few lines makes of it, and a
frame that is left as it was must give its value: a decoder that rejects everything fails. Checksums
are worked out here, not by the program. A million frames for each decoder in the full study.
"""

from __future__ import annotations

import functools
import operator
import random
import re
import struct
from collections.abc import Callable

import pytest
from gauge_texts import gauge_setup, modbus, nmea
from test_asked_gauge import whole

from rig.core.records import GOOD, Condition, Sample
from rig.io.gauges.modbus import register_reads
from rig.io.gauges.nmea import NmeaDecoder
from rig.io.gauges.pattern import line_decoder
from rig.io.gauges.polled import LineExchange

MANY, SOME = 1_000_000, 250_000
QUALITIES = {GOOD, "out of range", "not a number", "unit changed", "unit unknown"}
Oracle = Callable[[bytes], float | None]


def mutated(dice: random.Random, frame: bytes) -> bytes:
    """One to three bytes changed, put in, taken out or doubled; or any bytes at all."""
    if dice.random() < 0.1:
        return dice.randbytes(dice.randrange(40))
    data = bytearray(frame)
    for _ in range(dice.randrange(4)):
        at = dice.randrange(len(data) + 1)
        match dice.randrange(4):
            case 0:
                data[at : at + 1] = bytes([dice.randrange(256)])
            case 1:
                data[at:at] = bytes([dice.randrange(256)])
            case 2:
                del data[at : at + dice.randrange(3)]
            case 3:
                data[at:at] = data[at : at + 3]
    return bytes(data)


def xor(data: bytes) -> int:
    """Exclusive-or of the bytes: the checksum of NMEA 0183, without its $ and *."""
    return functools.reduce(operator.xor, data, 0)


def take(dice: random.Random, frame: bytes) -> tuple[bytes, bool]:
    """The frame, in one of eight cases as it was; and whether it is."""
    if dice.random() < 0.125:
        return frame, True
    return mutated(dice, frame), False


def must_accept(items: list[Sample | Condition], value: float) -> None:
    """A sound frame gives its pressure, good."""
    good = [i.value for i in items if isinstance(i, Sample) and i.quality == GOOD]
    assert any(found == pytest.approx(value, rel=1e-6) for found in good), (items, value)


def look(items: list[Sample | Condition], value: float | None, frame: bytes) -> None:
    for item in items:
        if isinstance(item, Condition):
            continue
        assert item.quality in QUALITIES, (item, frame)
        assert (item.value is None) == (item.quality not in (GOOD, "out of range")), (item, frame)
        if item.quality == GOOD:
            assert value is not None and item.value == pytest.approx(value, rel=1e-9), (item, frame)


def line_oracle(frame: bytes) -> float | None:
    """`P {pressure} kPa*{xor}` by hand."""
    text = frame.decode("latin-1").strip(" \t")
    if not text.startswith("P") or "*" not in text or text.count("*") > 1:
        return None
    body, check = text.split("*")
    number = body[1:].replace("kPa", "", 1).strip(" \t").replace(" ", "").replace("\t", "")
    try:
        sent = int(check, 16)
        lead = frame.decode("latin-1").split("*")[0].encode("latin-1")
        return float(number) if sent == xor(lead) else None
    except ValueError:
        return None


def modbus_oracle(frame: bytes) -> float | None:
    """A sound reply somewhere in the first bytes."""
    for start in range(5):
        part = frame[start : start + 9]
        if part[:3] == b"\x01\x03\x04" and len(part) == 9 and whole(part[:7]) == part:
            return float(struct.unpack(">f", part[3:7])[0])
    return None


def nmea_oracle(frame: bytes) -> float | None:
    found = re.fullmatch(rb"[ \t]*[$!]([A-Z0-9]{2}XDR(?:,[^*]*))\*([0-9A-Fa-f]{2})[ \t]*", frame)
    if found is None:
        return None
    check = 0
    for byte in found[1]:
        check ^= byte
    fields = [field.strip() for field in found[1].decode("latin-1").split(",")[1:]]
    for at in range(0, len(fields) - 3, 4):
        kind, number, unit, name = fields[at : at + 4]
        if name == "OILP":
            factor = {"P": 1e-3, "B": 100.0}.get(unit)
            sound = factor is not None and kind == "P" and check == int(found[2], 16)
            try:
                value = float(number) if re.fullmatch(r"[-+.0-9]+", number) else None
            except ValueError:  # 67-832
                value = None
            return value * factor if sound and factor and value is not None else None
    return None


def test_lines(full_study: bool) -> None:
    gauge = gauge_setup(pattern="P {pressure} kPa*{xor}", unit="kPa")
    decoder, dice = line_decoder(gauge), random.Random(1)
    for _ in range(MANY if full_study else SOME):
        value = round(dice.uniform(0, 90), 2)
        body = f"P {value:.2f} kPa"
        frame, sound = take(dice, f"{body}*{xor(body.encode()):02X}".encode())
        if b"\r" in frame or b"\n" in frame:
            continue  # never part of a line
        items = decoder.readings(1, frame).items
        look(items, line_oracle(frame), frame)
        if sound:
            must_accept(items, value)


def test_registers(full_study: bool) -> None:
    (read,) = register_reads(modbus(modbus={"type": "float32"}))
    dice = random.Random(2)
    for _ in range(MANY if full_study else SOME):
        value = dice.uniform(0, 90)
        frame, sound = take(dice, whole(b"\x01\x03\x04" + struct.pack(">f", value)))
        reply = read.take(1, frame)
        if sound:
            assert reply is not None
            must_accept(reply.items, value)
        if reply is not None:
            assert 0 < reply.used <= len(frame)
            look(reply.items, modbus_oracle(frame), frame)


def test_sentences(full_study: bool) -> None:
    decoder, dice = NmeaDecoder(nmea()), random.Random(3)
    for _ in range(MANY if full_study else SOME):
        pascal = round(dice.uniform(1, 9e4))
        body = f"IIXDR,C,90.1,C,OILT,P,{pascal},P,OILP"
        frame, sound = take(dice, f"${body}*{xor(body.encode()):02X}".encode())
        items = decoder.readings(1, frame).items
        look(items, nmea_oracle(frame), frame)
        if sound:
            must_accept(items, pascal / 1000)


def test_answers_to_a_question(full_study: bool) -> None:
    exchange = LineExchange(b"?", line_decoder(gauge_setup(pattern="{pressure}", unit="kPa")))
    dice = random.Random(4)
    for _ in range(MANY if full_study else SOME):
        number = round(dice.uniform(1, 90), 3)
        frame, sound = take(dice, f"{number:.3f}\r\n".encode())
        reply = exchange.take(1, frame)
        if sound:
            assert reply is not None
            must_accept(reply.items, number)
        if reply is None:
            assert b"\r" not in frame.strip(b"\r\n") or len(frame) <= 256
            continue
        text = re.split(rb"[\r\n]", frame.lstrip(b"\r\n"))[0].decode("latin-1")
        plain = re.sub(r"[ \t]", "", text)
        try:
            value = float(plain) if re.fullmatch(r"[-+0-9.eE]+", plain) else None
        except ValueError:
            value = None
        look(reply.items, value, frame)
