# SPDX-License-Identifier: MIT
"""Decoders of registers, sentences and lines with several channels: values, units, qualities."""

from __future__ import annotations

import struct
from typing import Any

import pytest
from gauge_texts import gauge_setup, modbus, nmea, whole

from rig.config.gauge.model import GaugeSetup
from rig.core.records import GOOD, Condition, Sample
from rig.io.gauges.modbus import register_reads
from rig.io.gauges.nmea import NmeaDecoder
from rig.io.gauges.pattern import line_decoder

ORDERS = {"ABCD": (0, 1, 2, 3), "CDAB": (2, 3, 0, 1), "BADC": (1, 0, 3, 2), "DCBA": (3, 2, 1, 0)}


def ask(gauge: GaugeSetup, data: bytes) -> Sample | Condition:
    (read,) = register_reads(gauge)
    reply = read.take(7, whole(bytes([1, 3, len(data)]) + data))
    assert reply is not None and reply.used == 5 + len(data)
    (item,) = reply.items
    return item


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize(
    ("kind", "form", "value"),
    [("float32", ">f", 123.5), ("int32", ">i", -70_000), ("uint32", ">I", 70_000)],
)
def test_every_word_order(order: str, kind: str, form: str, value: float) -> None:
    data = struct.pack(form, value)
    data = bytes(data[at] for at in ORDERS[order])
    place = {"type": kind, "word_order": order, "scale": 0.001, "offset": 200.0}
    item = ask(modbus(modbus=place), data)
    assert isinstance(item, Sample) and item.value == pytest.approx(200 + value / 1000)


@pytest.mark.parametrize(
    ("kind", "data", "value"),
    [
        ("int16", b"\xff\xfe", -2.0),
        ("uint16", b"\xff\xfe", 65_534.0),
        ("int16", b"\x00\x96", 150.0),
    ],
)
def test_one_register(kind: str, data: bytes, value: float) -> None:
    item = ask(modbus(modbus={"type": kind}, measuring_range=(-10, 1e6)), data)
    assert item == Sample("pressure", value, 7, GOOD)
    swapped = ask(
        modbus(modbus={"type": kind, "word_order": "BADC"}, measuring_range=(-10, 1e6)), data[::-1]
    )
    assert swapped == item


@pytest.mark.parametrize("number", [float("nan"), float("inf"), -float("inf"), 9.91e37])
def test_a_float_that_is_no_number_is_no_reading(number: float) -> None:
    item = ask(modbus(modbus={"type": "float32"}), struct.pack(">f", number))
    assert item == Sample("pressure", None, 7, "not a number")


def sentence(body: str) -> bytes:
    check = 0
    for char in body.encode():
        check ^= char
    return f"${body}*{check:02X}".encode()


@pytest.mark.parametrize(
    ("changes", "line", "expected"),
    [
        ({}, "IIXDR,P,250000,P,OILP", (250.0, GOOD)),
        ({}, "IIXDR,C,90.5,C,OILT,P,2.5,B,OILP", (250.0, GOOD)),
        ({"unit": "bar"}, "IIXDR,P,2.5,B,OILP", (250.0, GOOD)),
        ({"unit": "bar"}, "IIXDR,P,250000,P,OILP", (None, "unit changed")),
        ({}, "IIXDR,P,250000,X,OILP", (None, "unit unknown")),
        ({}, "IIXDR,C,250000,C,OILP", (None, "unit unknown")),
        ({}, "IIXDR,P,,P,OILP", (None, "not a number")),
        ({}, "IIXDR,P,nan,P,OILP", (None, "not a number")),
        ({}, "IIXDR,P,1_0,P,OILP", (None, "not a number")),
        ({}, "IIXDR,P,2500000,P,OILP", (2500.0, "out of range")),
        ({}, "IIXDR,P,250000,P,FUEL", None),
        ({}, "IIXDR,P,250000,P", None),
        ({}, "GPGLL,5300.97914,N,00259.98174,E,125926,A", None),
        ({"nmea": {"sentence": "PRS", "field": 2}, "unit": "psi"}, "YXPRS,x,10,y",
         (10 * 6.894757293168361, GOOD)),
        ({"nmea": {"sentence": "ZZPRS", "field": 1}, "unit": "kPa"}, "YXPRS,10", None),
        ({"nmea": {"sentence": "PRS", "field": 9}, "unit": "kPa"}, "YXPRS,10",
         (None, "not a number")),
    ],
)  # fmt: skip
def test_sentences(changes: dict[str, Any], line: str, expected: tuple[Any, str] | None) -> None:
    items = NmeaDecoder(nmea(**changes)).readings(7, sentence(line)).items
    if expected is None:
        assert items == []
        return
    (item,) = items
    assert isinstance(item, Sample)
    assert item.quality == expected[1]
    assert item.value == (None if expected[0] is None else pytest.approx(expected[0]))


@pytest.mark.parametrize(
    "line",
    [b"", b"IIXDR,P,250000,P,OILP", b"$IIXDR,P,250000,P,OILP", b"$IIXDR,P,250000,P,OILP*00",
     b"$iixdr,P,1,P,OILP*00", b"$IIXDR,P,2*0*11", b"\xff" * 20],
)  # fmt: skip
def test_a_line_that_is_no_sound_sentence_is_rejected(line: bytes) -> None:
    (item,) = NmeaDecoder(nmea()).readings(7, line).items
    assert isinstance(item, Condition)


def test_several_channels_of_one_line() -> None:
    gauge = gauge_setup(
        pattern="P{pressure} T{oil_temperature} U{supply_voltage}",
        unit="bar",
        channels=[
            {"channel": "oil_temperature", "unit": "degF", "lowest": -40.0, "highest": 300.0},
            {"channel": "supply_voltage", "unit": "mV"},
        ],
    )
    decoder = line_decoder(gauge)
    assert decoder.readings(7, b"P2.5 T212 U12600").items == [
        Sample("pressure", 250.0, 7, GOOD),
        Sample("oil_temperature", pytest.approx(100.0), 7, GOOD),
        Sample("supply_voltage", pytest.approx(12.6), 7, GOOD),
    ]
    got = decoder.readings(7, b"POL T999 U----").items
    assert [(s.channel, s.quality) for s in got if isinstance(s, Sample)] == [
        ("pressure", "not a number"),
        ("oil_temperature", "out of range"),
        ("supply_voltage", "not a number"),
    ]


OF_XDR = [
    ("cylinder_pressure", "P", "P", 250_000, 250.0), ("cylinder_pressure", "P", "B", 2.5, 250.0),
    ("oil_temperature", "C", "C", 90.5, 90.5), ("oil_temperature", "C", "K", 363.65, 90.5),
    ("supply_voltage", "U", "V", 12.6, 12.6), ("coil_current", "I", "A", 0.8, 0.8),
    ("engine_speed", "T", "R", 3000, 3000.0),
]  # fmt: skip
"""Channel, letters of type and unit (from memory), number as sent, value. 0 degC is 273.15 K
(NIST SP 811, B.8)."""


@pytest.mark.parametrize(("channel", "kind", "letter", "sent", "value"), OF_XDR)
def test_a_transducer_beside_the_pressure_is_read_in_its_own_unit(
    channel: str, kind: str, letter: str, sent: float, value: float
) -> None:
    further = {"channel": channel, "nmea": {"sentence": "XDR", "transducer": "OTHER"}}
    decoder = NmeaDecoder(nmea(channels=[further]))
    line = f"IIXDR,P,2.5,B,OILP,{kind},{sent},{letter},OTHER"
    found = decoder.readings(7, sentence(line))
    assert found.items == [
        Sample("pressure", 250.0, 7, GOOD), Sample(channel, pytest.approx(value), 7, GOOD)
    ]  # fmt: skip
    assert found.factor == 100.0, "that of the pressure, whatever stands beside it"
    alone = decoder.readings(7, sentence(f"IIXDR,{kind},{sent},{letter},OTHER"))
    assert alone.items == [Sample(channel, pytest.approx(value), 7, GOOD)] and alone.factor is None


@pytest.mark.parametrize("noise", [b"", b"\x00", b"\xff\x00\xff\x00"])
def test_a_refusal_takes_the_bytes_up_to_its_own_end(noise: bytes) -> None:
    """Also what an adapter put before it; what follows belongs to nobody yet."""
    (read,) = register_reads(modbus())
    refusal = whole(bytes([1, 0x83, 2]))
    reply = read.take(7, noise + refusal + b"\x01")
    assert reply is not None and reply.whole and reply.used == len(noise) + len(refusal)
    (item,) = reply.items
    assert isinstance(item, Condition) and "there is no such register" in item.detail


@pytest.mark.parametrize(
    ("keys", "line", "value"),
    [
        ({"decimal": "comma"}, "12,5", 12.5),
        ({"decimal": "comma"}, "12.5", None),
        ({"decimal": "comma"}, "1,25E+01", 12.5),
        ({"thousands": "comma"}, "1,234.5", 1234.5),
        ({"thousands": "comma"}, "1,23.5", None),
        ({"thousands": "comma"}, "1234.5", 1234.5),
        ({"thousands": "comma"}, "12,3456", None),
        ({"thousands": "point", "decimal": "comma"}, "1.234,5", 1234.5),
        ({"thousands": "space"}, "1 234.5", 1234.5),
        ({"thousands": "apostrophe"}, "1'234'567.5", 1234567.5),
        ({}, "-  12.5", -12.5),
        ({}, "\u221212.5", -12.5),
        ({}, "+.5", 0.5),
    ],
)
def test_ways_to_write_a_number(keys: dict[str, str], line: str, value: float | None) -> None:
    gauge = gauge_setup(pattern="{pressure}", unit="kPa", measuring_range=(-1e9, 1e9), **keys)
    (item,) = line_decoder(gauge).readings(7, line.encode()).items
    if value is None:
        assert isinstance(item, Condition), item
    else:
        assert item == Sample("pressure", pytest.approx(value), 7, GOOD)


@pytest.mark.parametrize(
    ("pattern", "line", "good"),
    [
        ("${pressure}*{xor}", "$12.5*%02X" % (ord("1") ^ ord("2") ^ ord(".") ^ ord("5")), True),
        ("${pressure}*{xor}", "$12.5*00", False),
        ("{pressure};{sum}", "12.5;%02x" % (sum(b"12.5;") % 256), True),
        ("{pressure};{sum}", "12.5;00", False),
    ],
)
def test_checksums_of_lines(pattern: str, line: str, good: bool) -> None:
    gauge = gauge_setup(pattern=pattern, unit="kPa")
    (item,) = line_decoder(gauge).readings(7, line.encode()).items
    assert isinstance(item, Sample) is good
