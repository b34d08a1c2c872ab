# SPDX-License-Identifier: MIT
"""Gauge forms against published frames, checksums and times, and against pymodbus."""

from __future__ import annotations

import struct
import unicodedata

import pytest
from gauge_texts import gauge_setup, modbus, nmea
from pymodbus.framer import FramerRTU

from rig.config.gauge.marks import CONTROL
from rig.core.records import GOOD, Condition, Sample
from rig.io.gauges.modbus import register_reads
from rig.io.gauges.nmea import NmeaDecoder
from rig.io.gauges.pattern import checksum, line_decoder
from rig.io.gauges.polled import AskedGauge
from rig.simulated.gauge.forms import modbus_reply


def test_request_and_reply_of_the_application_protocol() -> None:
    """Modbus Application Protocol 1.1b3, 6.3: registers 108 to 110 of unit 1 (request 01 03 00 6B
    00 03, reply 01 03 06 02 2B 00 00 00 64: 555, 0, 100; PDUs from memory of the document, CRCs
    recalculated with crcmod). The rig asks for one register at a time."""
    for address, words, value in ((0x6B, "022b", 555.0), (0x6D, "0064", 100.0)):
        gauge = modbus(modbus={"address": address, "type": "int16"}, measuring_range=(0, 1000))
        (read,) = register_reads(gauge)
        assert read.request[:6].hex() == f"0103{address:04x}0001"
        body = bytes.fromhex(f"010302{words}")
        reply = read.take(1, body + FramerRTU.compute_CRC(body).to_bytes(2, "big"))
        assert reply is not None and reply.items == [Sample("pressure", value, 1, GOOD)]


@pytest.mark.parametrize(
    "frame",
    ["0103006b00037417", "010300000001840a", "01030000000ac5cd", "1103006b00037687",
     "010306022b00000064057a", "110306ae415652434049ad", "010600010003980b", "018302c0f1"],
)  # fmt: skip
def test_crc_of_whole_frames(frame: str) -> None:
    """Frames with their CRCs: Modbus Application Protocol 1.1b3, 6.3 and 6.6, and common worked
    examples; CRCs recalculated with crcmod (0xA001, start 0xFFFF, low byte first)."""
    data = bytes.fromhex(frame)
    from rig.simulated.gauge.forms import _crc

    assert _crc(data[:-2]) == data[-2:]
    assert FramerRTU.compute_CRC(data[:-2]).to_bytes(2, "big") == data[-2:]


def test_crc_of_the_serial_line_document() -> None:
    """Modbus over serial line 1.02, 6.2.2: 02 07 gives 0x1241, sent 41 12."""
    from rig.simulated.gauge.forms import _crc

    assert _crc(b"\x02\x07") == b"\x41\x12"
    assert _crc(b"123456789") == (0x4B37).to_bytes(2, "little")  # the catalogued check value


@pytest.mark.parametrize(
    ("order", "words"),
    [("ABCD", "42f6e979"), ("CDAB", "e97942f6"), ("BADC", "f64279e9"), ("DCBA", "79e9f642")],
)
def test_123_456_in_every_word_order(order: str, words: str) -> None:
    """IEEE 754: 123.456 is 42 F6 E9 79 (struct); the other orders by rearrangement."""
    gauge = modbus(modbus={"type": "float32", "word_order": order})
    (read,) = register_reads(gauge)
    body = bytes.fromhex(f"010304{words}")
    reply = read.take(1, body + FramerRTU.compute_CRC(body).to_bytes(2, "big"))
    assert reply is not None
    (item,) = reply.items
    assert (
        isinstance(item, Sample) and item.value == struct.unpack(">f", bytes.fromhex("42f6e979"))[0]
    )


@pytest.mark.parametrize(
    ("body", "check"),
    [
        ("GPGLL,5300.97914,N,00259.98174,E,125926,A", 0x28),
        ("GPGGA,092750.000,5321.6802,N,00630.3372,W,1,8,1.03,61.7,M,55.2,M,,", 0x76),
        ("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", 0x47),
    ],
)
def test_checksums_of_sentences(body: str, check: int) -> None:
    """NMEA 0183 sentences as commonly printed, their checksums recalculated with pynmea2."""
    assert checksum("xor", f"${body}*".encode()) == check
    decoder = NmeaDecoder(nmea())
    assert decoder.readings(1, f"${body}*{check:02X}".encode()).items == []  # sound, not wanted
    (item,) = decoder.readings(1, f"${body}*{check ^ 1:02X}".encode()).items
    assert isinstance(item, Condition)


@pytest.mark.parametrize(
    ("text", "value"),
    [("+12", 12.0), ("12", 12.0), ("-12.5", -12.5), ("12.5", 12.5), ("1.25E+01", 12.5),
     ("+1.25E+01", 12.5), ("9.91E+37", None), ("9.9E+37", None), ("-9.9E+37", None)],
)  # fmt: skip
def test_numbers_of_ieee_488_2(text: str, value: float | None) -> None:
    """IEEE 488.2 response data NR1, NR2, NR3; SCPI-99 7.2.1: not a number 9.91E37, infinity 9.9E37
    (from memory)."""
    gauge = gauge_setup(pattern="{pressure}", unit="kPa", measuring_range=(-100.0, 100.0))
    (item,) = line_decoder(gauge).readings(1, text.encode()).items
    quality = "not a number" if value is None else GOOD
    assert item == Sample("pressure", value, 1, quality)


@pytest.mark.parametrize(
    ("baud", "parity", "character_ms", "frame_ms", "rest_ms"),
    [(9600, "even", 1.145833, 9.166667, 4.010417), (19_200, "even", 0.572917, 4.583333, 2.005208),
     (115_200, "none", 0.0868056, 0.694444, 1.75)],
)  # fmt: skip
def test_times_on_the_wire(
    baud: int, parity: str, character_ms: float, frame_ms: float, rest_ms: float
) -> None:
    """Eleven bits a character with parity, ten without; eight characters a request; 3.5 characters
    of rest, and 1.75 ms above 19,200 baud (Modbus over serial line 1.02, 2.5.1.1; recalculated)."""
    from rig.core.clock import VirtualClock
    from rig.io.gauges.links import MemoryLink

    gauge = modbus(baud=baud, parity=parity)
    assert 1e3 * gauge.byte_s == pytest.approx(character_ms, rel=1e-5)
    assert 8e3 * gauge.byte_s == pytest.approx(frame_ms, rel=1e-5)
    asked = AskedGauge(MemoryLink(), VirtualClock(), gauge)
    assert asked._silence_ns / 1e6 == pytest.approx(rest_ms, rel=1e-5)


def test_the_simulated_device_against_pymodbus() -> None:
    """What the simulated gauge answers is a sound frame to pymodbus's own client decoder."""
    from pymodbus.pdu import DecodePDU

    gauge = modbus(modbus={"type": "float32"})
    (read,) = register_reads(gauge)
    frame = modbus_reply(gauge, read.request, {"pressure": 123.5})
    used, pdu = FramerRTU(DecodePDU(False)).handleFrame(frame, 1, 0)
    assert used == len(frame) and pdu is not None
    assert struct.pack(">2H", *pdu.registers) == struct.pack(">f", 123.5)


def test_control_characters_have_their_published_codes() -> None:
    """ISO/IEC 646 and ECMA-48 C0, as the Unicode Character Database's name aliases give them
    (Python's unicodedata); it has no alias EM, whose long name is END OF MEDIUM."""
    assert list(CONTROL.values()) == list(range(32))
    for name, code in CONTROL.items():
        assert ord(unicodedata.lookup("END OF MEDIUM" if name == "EM" else name)) == code


def test_block_check_makes_every_bit_column_even() -> None:
    """ISO 1155 (from memory): even parity along each bit of all characters after the start mark,
    the end mark and the check itself included."""
    body = b"P=241.5 kPa\x03"
    everything = body + bytes([checksum("bcc", body)])
    assert all(sum(byte >> bit & 1 for byte in everything) % 2 == 0 for bit in range(8))
