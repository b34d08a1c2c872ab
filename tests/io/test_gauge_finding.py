# SPDX-License-Identifier: MIT
"""What is proposed for an unknown gauge reads what the gauge sends; where it cannot be known, it
says so."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from gauge_texts import gauge_setup

from rig.core.records import GOOD, Sample
from rig.io.gauges.framing import Line, LineFramer
from rig.io.gauges.identify import framed, marks_of, period_of, plain_share, seven_bits, understand
from rig.io.gauges.pattern import checksum, line_decoder

Write = Callable[[float, float, int], str]


def checked(body: str, kind: str) -> str:
    return f"{body}{checksum(kind, body.encode()):02X}"


FORMS: dict[str, tuple[Write, float]] = {
    "unit": (lambda p, t, n: f"{p:.1f} kPa", 1.0),
    "name and psi": (lambda p, t, n: f"P= {p / 6.894757:6.2f} psi", 1.0),
    "decimal comma": (lambda p, t, n: f"{p / 100:.3f} bar".replace(".", ","), 1.0),
    "number alone": (lambda p, t, n: f"+{p:07.1f}", 1.0),
    "counter first": (lambda p, t, n: f"{n};{p:.1f};80.0;OK", 1.0),
    "time of day": (lambda p, t, n: f"12:04:{n + 10};{p:.1f};80.0;OK", 1.0),
    "braces": (lambda p, t, n: f'{{"p": {p:.1f}, "t": 80.0}}', 1.0),
    "comma before": (lambda p, t, n: f"oil line, {p:.1f} kPa", 1.0),
    "several units": (lambda p, t, n: f"No. 7 P {p:.0f} kPa T {t:.1f} C", 1.0),
    "no space": (lambda p, t, n: f"{p / 98.0665:.4f}kgf/cm2", 1.0),
    "overload now and then": (lambda p, t, n: "OL kPa" if n == 3 else f"{p:.1f} kPa", 1.0),
    "xor": (lambda p, t, n: checked(f"P{p:.1f}*", "xor"), 1.0),
    "sum": (lambda p, t, n: checked(f"P {p:.1f} kPa;", "sum"), 1.0),
}


@pytest.mark.parametrize("form", FORMS)
def test_the_proposal_reads_other_lines_of_the_same_gauge(form: str) -> None:
    write, _ = FORMS[form]
    dice = random.Random(1)
    drawn = [(dice.uniform(200, 250), dice.uniform(80, 90)) for _ in range(40)]
    lines = [write(p, t, n) for n, (p, t) in enumerate(drawn[:8])]
    found = understand(lines, 0.1)
    assert found is not None
    keys = {key: value.strip("\"'") for key, value in found.keys.items() if key != "period"}
    keys.setdefault("unit", "" if "{unit}" in keys["pattern"] else "kPa")
    gauge = gauge_setup(**{key: value or None for key, value in keys.items()})
    decoder = line_decoder(gauge)
    for n, (p, t) in enumerate(drawn[8:], 8):
        (item,) = decoder.readings(1, write(p, t, n).encode()).items
        assert isinstance(item, Sample) and item.quality == GOOD, (found.keys, item)
        assert item.value == pytest.approx(p, abs=0.51), found.keys


def test_sentences_are_recognised() -> None:
    lines = [checked(f"$IIXDR,P,{241_300 + n},P,OILP*", "xor") for n in range(5)]
    found = understand(lines)
    assert found is not None and found.keys["form"] == '"nmea"' and "OILP" in found.keys["nmea"]
    lines = [checked(f"$GPGLL,{5300 + n},N*", "xor") for n in range(5)]
    found = understand(lines)
    assert found is not None and "no pressure transducer" in found.words[0]


@pytest.mark.parametrize("lines", [[], ["12"], ["a", "b", "c"], ["", "", ""], ["-", "--", "---"]])
def test_nothing_is_made_up(lines: list[str]) -> None:
    assert understand(lines) is None


def test_where_the_unit_is_not_sent_it_is_asked_for() -> None:
    found = understand([f"{200 + n}.5" for n in (3, 1, 7, 4)])
    assert found is not None and any("says the unit" in words for words in found.words)


def test_period_and_plain_text() -> None:
    assert period_of([0.0, 0.1, 0.2, 0.31]) == pytest.approx(0.1)
    assert period_of([0.0]) is None
    assert plain_share(b"12.5 psi\r\n") == 1.0 and plain_share(b"\xff\x00\xfe") == 0.0


@pytest.mark.parametrize("parity", ["even", "odd"])
def test_seven_bits_with_parity_seen_as_eight(parity: str) -> None:
    want = parity == "odd"
    data = bytes(b | 0x80 if (b.bit_count() & 1) != want else b for b in b"12.5 psi\r\n" * 4)
    assert seven_bits(data) == parity
    assert seven_bits(random.Random(1).randbytes(60)) is None


def test_the_number_in_a_channel_name_stays_and_other_numbers_may_change() -> None:
    lines = [f"P1: {2 + n / 100:.2f}".replace(".", ",") + f" bar T 8{n % 3} ok" for n in range(8)]
    found = understand(lines, 0.1)
    assert found is not None and found.keys["pattern"] == '"P1:{pressure} {unit} T{*} ok"'
    second = understand([f"ch2 P: {200 + n}.5 kPa" for n in range(8)], 0.1)
    assert second is not None and second.keys["pattern"].startswith('"ch2 P:')
    same = understand([f"T 80 P: {200 + n}.5 kPa" for n in range(8)], 0.1)
    assert same is not None and "T{*} P" in same.keys["pattern"]


def bcc(body: str) -> str:
    value = 0
    for letter in body:
        value ^= ord(letter)
    return body + chr(value)


def hex_sum(body: str) -> str:
    return f"{body}{sum(body.encode()) % 256:02X}"


MARKED: dict[str, tuple[Write, str]] = {
    "STX ETX": (lambda p, t, n: f"\x02{p:.1f} kPa\x03", "{STX}{pressure} {unit}{ETX}"),
    "line end behind": (lambda p, t, n: f"\x02P={p:.1f}\x03\r\n", "{STX}P={pressure}{ETX}"),
    "line end before": (lambda p, t, n: f"\x02{p:.1f} kPa\r\x03", "{STX}{pressure} {unit}{ETX}"),
    "STX, line end": (lambda p, t, n: f"\x02{p:06.1f}\r", "{STX}{pressure}"),
    "ETX alone": (lambda p, t, n: f"{p:.1f} kPa\x03", "{pressure} {unit}{ETX}"),
    "NUL alone": (lambda p, t, n: f"{p:.1f} kPa\0", "{pressure} {unit}{NUL}"),
    "heading": (
        lambda p, t, n: f"\x0107\x02{p:.1f} kPa\x03\x04",
        "{SOH}{*}{STX}{pressure} {unit}{ETX}{EOT}",
    ),
    "DLE": (lambda p, t, n: f"\x10\x02{p:.1f}\x10\x03", "{DLE}{STX}{pressure}{DLE}{ETX}"),
    "separators": (
        lambda p, t, n: f"\x02T{t:.0f}\x1d{p:.1f}\x1dkPa\x03",
        "{STX}T{*}{GS}{pressure}{GS}{unit}{ETX}",
    ),
    "block check": (
        lambda p, t, n: "\x02" + bcc(f"{p:.1f} kPa\x03"), "{STX}{pressure} {unit}{ETX}{bcc}",
    ),
    "sum": (
        lambda p, t, n: "\x02" + hex_sum(f"{p:.1f} kPa\x03"), "{STX}{pressure} {unit}{ETX}{sum}",
    ),
    "sum before": (
        lambda p, t, n: "\x02" + hex_sum(f"{p:.1f} kPa;") + "\x03",
        "{STX}{pressure} {unit};{sum}{ETX}",
    ),
    "a check nobody knows": (
        lambda p, t, n: f"\x02{p:.1f} kPa\x03{(n * 37 + 11) % 256:02X}\r\n",
        "{STX}{pressure} {unit}{ETX}{*}",
    ),
}  # fmt: skip


@pytest.mark.parametrize("form", MARKED)
def test_marks_are_found_and_other_frames_read(form: str) -> None:
    write, expected = MARKED[form]
    dice = random.Random(1)
    drawn = [(dice.uniform(200, 250), dice.uniform(80, 90)) for _ in range(40)]
    sent = [write(p, t, n).encode("latin-1") for n, (p, t) in enumerate(drawn)]
    heard = b"".join(sent[:12])[4:]  # from the middle of a frame
    marks = marks_of(heard)
    assert marks is not None
    found = understand([frame.decode("latin-1") for frame in framed(heard, marks)], 0.1, marks)
    assert found is not None and found.keys["pattern"].strip('"') == expected
    unit = None if "{unit}" in expected else "kPa"
    decoder = line_decoder(gauge_setup(pattern=expected, unit=unit))
    frames = LineFramer(marks=decoder.marks).feed(1, b"".join(sent[12:]))
    read = [decoder.readings(1, x.data).items[0] for x in frames if isinstance(x, Line)]
    values = [item.value for item in read if isinstance(item, Sample) and item.quality == GOOD]
    missing = 1 if not decoder.marks.start else 0  # the first may be half, and is left out
    assert values == [pytest.approx(p, abs=0.051) for p, _ in drawn[12 + missing :]]


@pytest.mark.parametrize("seed", range(20))
def test_noise_has_no_marks(seed: int) -> None:
    """What another baud rate gives: bytes of any value."""
    assert marks_of(random.Random(seed).randbytes(400)) is None
