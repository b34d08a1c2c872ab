# SPDX-License-Identifier: MIT
"""Random and mutated frames through every decoder: no exception, no value that was not sent.

A mutated frame that still decodes must decode to what an oracle of a few lines makes of it. A
million frames for each decoder in the full study.
"""

from __future__ import annotations

import functools
import operator
import random
import re
import struct
from collections.abc import Callable, Sequence

import pytest
from gauge_texts import gauge_setup, modbus, nmea, whole

from rig.core.records import GOOD, Condition, Sample
from rig.io.gauges.modbus import register_reads
from rig.io.gauges.nmea import NmeaDecoder
from rig.io.gauges.pattern import line_decoder
from rig.io.gauges.polled import LineExchange

MANY, SOME = 1_000_000, 250_000
QUALITIES = {GOOD, "out of range", "not a number", "unit changed", "unit unknown"}
Oracle = Callable[[bytes], float | None]


def exclusive_or(data: bytes) -> int:
    """The checksum as the help describes it: `$` at the start and `*` at the end do not count."""
    return functools.reduce(operator.xor, data.removeprefix(b"$").removesuffix(b"*"), 0)


class Arrivals:
    """The other direction: what was sent unharmed must arrive, and often enough to say so."""

    def __init__(self) -> None:
        self.sent = self.unharmed = 0

    def count(self, sent: bytes, frame: bytes, value: float, items: Sequence[object]) -> None:
        self.sent += 1
        if frame == sent:
            self.unharmed += 1
            good = [x.value for x in items if isinstance(x, Sample) and x.quality == GOOD]
            assert good == [pytest.approx(value, rel=1e-9)], (items, frame)

    def enough(self) -> None:
        assert self.unharmed > self.sent / 10, "hardly any frame stayed unharmed"


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
        return float(number) if sent == exclusive_or(lead) else None
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
    decoder, dice, arrivals = line_decoder(gauge), random.Random(1), Arrivals()
    for _ in range(MANY if full_study else SOME):
        shown = f"{dice.uniform(0, 700):.2f}"
        body = f"P {shown} kPa*"
        sent = f"{body}{exclusive_or(body.encode()):02X}".encode()
        frame = mutated(dice, sent)
        if b"\r" in frame or b"\n" in frame:
            continue  # never part of a line
        items = decoder.readings(1, frame).items
        look(items, line_oracle(frame), frame)
        arrivals.count(sent, frame, float(shown), items)
    arrivals.enough()


def test_registers(full_study: bool) -> None:
    (read,) = register_reads(modbus(modbus={"type": "float32"}))
    dice, arrivals = random.Random(2), Arrivals()
    for _ in range(MANY if full_study else SOME):
        packed = struct.pack(">f", dice.uniform(0, 700))
        sent = whole(b"\x01\x03\x04" + packed)
        frame = mutated(dice, sent)
        reply = read.take(1, frame)
        items = [] if reply is None else reply.items
        arrivals.count(sent, frame, struct.unpack(">f", packed)[0], items)
        if reply is not None:
            assert 0 < reply.used <= len(frame)
            look(reply.items, modbus_oracle(frame), frame)
    arrivals.enough()


def test_sentences(full_study: bool) -> None:
    decoder, dice, arrivals = NmeaDecoder(nmea()), random.Random(3), Arrivals()
    for _ in range(MANY if full_study else SOME):
        shown = f"{dice.uniform(0, 7e5):.0f}"
        body = f"IIXDR,C,90.1,C,OILT,P,{shown},P,OILP"
        sent = f"${body}*{exclusive_or(body.encode()):02X}".encode()
        frame = mutated(dice, sent)
        items = decoder.readings(1, frame).items
        look(items, nmea_oracle(frame), frame)
        arrivals.count(sent, frame, float(shown) / 1000, items)
    arrivals.enough()


def test_answers_to_a_question(full_study: bool) -> None:
    exchange = LineExchange(b"?", line_decoder(gauge_setup(pattern="{pressure}", unit="kPa")))
    dice, arrivals = random.Random(4), Arrivals()
    for _ in range(MANY if full_study else SOME):
        shown = f"{dice.uniform(0, 700):.3f}"
        sent = f"{shown}\r\n".encode()
        frame = mutated(dice, sent)
        reply = exchange.take(1, frame)
        arrivals.count(sent, frame, float(shown), [] if reply is None else reply.items)
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
    arrivals.enough()
