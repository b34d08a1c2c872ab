# SPDX-License-Identifier: MIT
"""Frames between control characters: cut out of the stream, found again after damage, and no value
that was not sent. The oracle cuts the whole stream by regular expressions and reads by hand."""

from __future__ import annotations

import functools
import itertools
import operator
import random
import re
from typing import Any

import pytest
from gauge_texts import gauge_setup, query
from hypothesis import given
from hypothesis import strategies as st
from test_gauge_forms_fuzz import MANY, SOME, mutated

from rig.config.gauge.marks import Marks
from rig.core.clock import VirtualClock
from rig.core.records import GOOD, Condition, Sample
from rig.io.gauges.framing import LENGTH_MOST, BadFrame, Line, LineFramer
from rig.io.gauges.links import MemoryLink
from rig.io.gauges.pattern import line_decoder
from rig.io.gauges.polled import LineExchange
from rig.io.gauges.streaming import StreamGauge

BETWEEN = Marks(b"\x02", b"\x03")
CHECKED = Marks(b"\x02", b"\x03", 1)
HEX = Marks(b"\x02", b"\x03", 2)
TO_LINE_END = Marks(b"\x02")
END_ALONE = Marks(b"", b"\x03")
LINKED = Marks(b"\x10\x02", b"\x10\x03")


def frames_of(stream: bytes, marks: Marks) -> list[bytes]:
    """The whole frames of a stream, said another way."""
    if marks == END_ALONE:
        parts = [part.lstrip(b"\r\n") + b"\x03" for part in stream.split(b"\x03")[1:-1]]
        return [part for part in parts if 1 < len(part) <= LENGTH_MOST or part == b"\x03"]
    form = {
        BETWEEN: rb"\x02[^\x02\x03]*\x03",
        CHECKED: rb"\x02[^\x02\x03]*\x03[\x00-\xff]",
        HEX: rb"\x02[^\x02\x03]*\x03[^\x02][^\x02]",
        TO_LINE_END: rb"\x02[^\x02\r\n]*(?=[\r\n])",
        LINKED: rb"\x10\x02(?:(?!\x10[\x02\x03])[\x00-\xff])*\x10\x03",
    }[marks]
    return [frame for frame in re.findall(form, stream) if len(frame) <= LENGTH_MOST]


PIECES = st.lists(
    st.one_of(
        st.sampled_from([b"\x02", b"\x03", b"\x10\x02", b"\x10\x03", b"\x10", b"\r", b"\n", b"\r\n",
                         b"12.5", b"\x0212.5\x03", b"\x0212.5\x03\r\n", b"\x0212.5\r\n", b"7E",
                         b"\x00", b"\xff", b"x" * 90]),
        st.binary(max_size=4),
    ),
    max_size=30,
)  # fmt: skip


@pytest.mark.parametrize("marks", [BETWEEN, CHECKED, HEX, TO_LINE_END, END_ALONE, LINKED])
@given(pieces=PIECES)
def test_frames_are_those_of_the_whole_stream_however_it_is_cut(
    marks: Marks, pieces: list[bytes]
) -> None:
    stream = b"".join(pieces)
    cut, whole = LineFramer(marks=marks), LineFramer(marks=marks)
    by_piece = [frame for n, piece in enumerate(pieces) for frame in cut.feed(n, piece)]
    at_once = whole.feed(0, stream)
    assert [frame.data for frame in at_once if isinstance(frame, Line)] == frames_of(stream, marks)
    assert [frame._replace(t_ns=0) for frame in by_piece] == at_once
    stamps = [frame.t_ns for frame in by_piece]
    assert stamps == sorted(stamps)
    assert len(cut.pending) <= LENGTH_MOST


def test_a_frame_is_there_with_its_last_byte() -> None:
    for marks, sent in ((BETWEEN, b"\x0212.5\x03"), (CHECKED, b"\x0212.5\x03\x02")):
        for cut in range(len(sent)):
            framer = LineFramer(marks=marks)
            assert framer.feed(1, sent[:cut]) == []
            assert framer.feed(2, sent[cut:]) == [Line(2, sent)]


def test_damage_is_told_and_the_next_start_mark_begins_anew() -> None:
    framer = LineFramer(marks=BETWEEN)
    assert framer.feed(1, b"4.5\x03") == []  # half a frame at first
    told = framer.feed(2, b"\x02241\x02242.5\x03 243\x03\x02244.5\x03")
    assert [frame.data for frame in told] == [
        b"\x02241", b"\x02242.5\x03", b" 243\x03", b"\x02244.5\x03",
    ]  # fmt: skip
    assert [isinstance(frame, BadFrame) for frame in told] == [True, False, True, False]
    whys = [frame.why for frame in told if isinstance(frame, BadFrame)]
    assert "cut off" in whys[0] and "has no {STX} at its beginning" in whys[1]
    assert framer.rejected == 2


def test_a_wire_without_marks_is_told_once() -> None:
    framer = LineFramer(marks=BETWEEN)
    bad = [frame for n in range(50) for frame in framer.feed(n, b"12.5 kPa\r\n" * 10)]
    assert len(bad) == 1 and isinstance(bad[0], BadFrame)
    assert "no {STX} in 256 bytes" in bad[0].why and "baud rate" in bad[0].why
    framer = LineFramer(marks=BETWEEN)
    (bad_one,) = framer.feed(1, b"\x02" + b"7" * 1000)
    assert isinstance(bad_one, BadFrame) and "no {ETX} in 256 bytes" in bad_one.why
    assert framer.feed(2, b"\x0212\x03") == [Line(2, b"\x0212\x03")]


def block_check(data: bytes) -> bytes:
    return bytes([functools.reduce(operator.xor, data, 0)])


def played(gauge: StreamGauge, link: MemoryLink, t_ns: int, data: bytes) -> list[Any]:
    link.feed(t_ns, data)
    return gauge.read()


@pytest.mark.parametrize(
    ("pattern", "build"),
    [
        ("{STX}P={pressure} kPa{ETX}", lambda text: b"\x02" + text + b"\x03"),
        ("{STX}P={pressure} kPa{ETX}", lambda text: b"\x02" + text + b"\r\n\x03\r\n"),
        ("{STX}P={pressure} kPa", lambda text: b"\x02" + text + b"\r\n"),
        (
            "{STX}P={pressure} kPa{ETX}{bcc}",
            lambda text: b"\x02" + text + b"\x03" + block_check(text + b"\x03"),
        ),
        (
            "{STX}P={pressure} kPa{ETX}{sum}",
            lambda text: b"\x02" + text + b"\x03%02x" % (sum(text + b"\x03") % 256),
        ),
    ],
)
def test_mutated_frames_both_ways(full_study: bool, pattern: str, build: Any) -> None:
    """Nothing is read that was not sent; what was sent unharmed arrives, whatever came before."""
    link, dice = MemoryLink(), random.Random(5)
    setup = gauge_setup(pattern=pattern, unit="kPa", measuring_range=(0.0, 700.0))
    gauge = StreamGauge(link, VirtualClock(), setup)
    unharmed = 0
    trials = (MANY if full_study else SOME) // 10
    for n in range(trials):
        shown = f"{dice.uniform(0, 700):.2f}"
        sent = build(f"P={shown} kPa".encode())
        frame = mutated(dice, sent)
        items = played(gauge, link, n, frame)
        good = [x.value for x in items if isinstance(x, Sample) and x.quality == GOOD]
        allowed = [
            float(text) for text in re.findall(rb"P=[ \t]*([+-]?[0-9.]+)", frame) if number(text)
        ]
        assert all(any(v == pytest.approx(a, rel=1e-9) for a in allowed) for v in good), frame
        if frame == sent:
            unharmed += 1
        if "sum" in pattern or "bcc" in pattern:
            assert not good or good == [pytest.approx(float(shown))] or checks(frame, pattern), (
                frame
            )
        # whatever that was: of two sound frames behind it the second arrives, and with its value.
        # The first may lose its start to a check character that is missing.
        sound = [f"{dice.uniform(0, 700):.2f}" for _ in range(2)]
        items = played(gauge, link, n, b"".join(build(f"P={s} kPa".encode()) for s in sound))
        good = [x.value for x in items if isinstance(x, Sample) and x.quality == GOOD]
        assert good and good[-1] == pytest.approx(float(sound[1])), (frame, items)
        if frame == sent:
            assert good == [pytest.approx(float(s)) for s in sound]
    assert unharmed > trials / 10


def number(text: bytes) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def checks(frame: bytes, pattern: str) -> bool:
    """Whether a frame somewhere in the bytes carries the right check after all."""
    for found in re.finditer(rb"\x02([^\x02\x03]*\x03)([\x00-\xff]{1,2})", frame):
        body, check = found[1], found[2]
        if "bcc" in pattern and check[:1] == block_check(body):
            return True
        hexadecimal = "sum" in pattern and re.fullmatch(rb"[0-9A-Fa-f]{2}", check)
        if hexadecimal and int(check, 16) == sum(body) % 256:
            return True
    return False


@given(st.lists(st.floats(0, 700).map(lambda x: f"{x:.1f}"), min_size=1, max_size=8), st.data())
def test_frames_cut_into_pieces_arrive(numbers: list[str], data: st.DataObject) -> None:
    stream = b"".join(b"\x02" + text.encode() + b" kPa\x03\r\n" for text in numbers)
    places = data.draw(st.lists(st.integers(0, len(stream)), max_size=6))
    link = MemoryLink()
    gauge = StreamGauge(link, VirtualClock(), gauge_setup(pattern="{STX}{pressure} {unit}{ETX}"))
    got: list[Sample | Condition] = []
    for n, (a, b) in enumerate(itertools.pairwise(sorted({0, len(stream), *places}))):
        got += played(gauge, link, n, stream[a:b])
    assert [item.value for item in got if isinstance(item, Sample)] == [
        pytest.approx(float(text)) for text in numbers
    ]
    assert gauge.frames_rejected == 0


def test_garbled_frames_give_no_reading_and_count() -> None:
    link = MemoryLink()
    gauge = StreamGauge(link, VirtualClock(), gauge_setup(pattern="{STX}{pressure} {unit}{ETX}"))
    items = played(gauge, link, 1, b"\x0224x.5 kPa\x03\x02241.5 kPa\x03")
    assert [type(item) for item in items] == [Condition, Sample]
    assert gauge.frames_rejected == 1 and gauge.frames_ok == 1


@pytest.mark.parametrize("start", [b"\x02", b"\x02\x02"])
def test_a_start_mark_within_a_number_gives_no_reading(start: bytes) -> None:
    """612.7 kPa with a start mark put in, or in place of a digit: 7 kPa was never sent."""
    link = MemoryLink()
    gauge = StreamGauge(link, VirtualClock(), gauge_setup(pattern="{STX}{pressure} {unit}{ETX}"))
    items = played(gauge, link, 1, b"\x02 612." + start + b"7 kPa\x03\x02 613.1 kPa\x03")
    *told, cut_in, sound = items
    assert len(told) == len(start)
    assert all("cut off by the start" in item.detail for item in told)
    assert "began within another frame" in cut_in.detail
    assert (sound.value, sound.quality) == (613.1, GOOD)
    assert gauge.frames_ok == 1


@pytest.mark.parametrize("field", ["{ETX}{bcc}", "*{xor}{ETX}"])
@pytest.mark.parametrize("harmed", [b"1\x02", b"11\x02"])  # in place of a digit, and put in
def test_a_checksum_blind_to_what_is_missing_gives_no_reading(field: str, harmed: bytes) -> None:
    """110.0 kPa and 0.0 kPa have the same exclusive or."""
    body = b"110.0 kPa"
    check = block_check(body + b"\x03") if "bcc" in field else b"*%02X\x03" % block_check(body)[0]
    tail = (b"\x03" if "bcc" in field else b"") + check
    link = MemoryLink()
    setup = gauge_setup(pattern=f"{{STX}}{{pressure}} {{unit}}{field}")
    gauge = StreamGauge(link, VirtualClock(), setup)
    sound = b"\x02" + body + tail
    items = played(gauge, link, 1, b"\x02" + harmed + b"0.0 kPa" + tail + sound)
    values = [item.value for item in items if isinstance(item, Sample)]
    assert values == [110.0]
    assert "began within another frame" in items[1].detail


def test_a_sum_blind_to_what_is_missing_gives_no_reading() -> None:
    """The characters of 33334 add up to 256, so 333340.0 kPa and 0.0 kPa have the same sum."""
    body = b"333340.0 kPa"
    assert sum(b"33334") % 256 == 0
    tail = b"*%02X\x03" % (sum(body) % 256)
    link = MemoryLink()
    setup = gauge_setup(pattern="{STX}{pressure} {unit}*{sum}{ETX}", measuring_range=(0.0, 1e6))
    gauge = StreamGauge(link, VirtualClock(), setup)
    items = played(gauge, link, 1, b"\x023333\x020.0 kPa" + tail + b"\x02" + body + tail)
    assert [item.value for item in items if isinstance(item, Sample)] == [333340.0]
    assert "began within another frame" in items[1].detail


@given(
    st.lists(st.integers(1000, 6999), min_size=3, max_size=6),
    st.sampled_from(["{STX}{pressure} {unit}{ETX}", "{STX}{pressure} {unit}{ETX}{bcc}"]),
    st.data(),
)
def test_one_start_mark_too_many_anywhere_makes_no_number(
    tenths: list[int], pattern: str, data: st.DataObject
) -> None:
    """Wherever a start mark comes in or takes a byte's place, only numbers that were sent are
    good; with a checksum the next reading is not lost either."""
    sent = [n / 10 for n in tenths]
    bodies = [b"%.1f kPa\x03" % value for value in sent]
    checked = "bcc" in pattern
    frames = [b"\x02" + body + (block_check(body) if checked else b"") for body in bodies]
    place = data.draw(st.integers(0, len(frames[0]) - 1))
    gone = data.draw(st.integers(0, 1))
    harmed = frames[0][:place] + b"\x02" + frames[0][place + gone :]
    link = MemoryLink()
    gauge = StreamGauge(link, VirtualClock(), gauge_setup(pattern=pattern))
    items = played(gauge, link, 1, harmed + b"".join(frames[1:]))
    good = [item.value for item in items if isinstance(item, Sample) and item.quality == GOOD]
    assert all(value in sent for value in good)
    assert good[-len(sent) + 2 :] == sent[2:]
    whole_check = checked and place < len(frames[0]) - 1
    if whole_check:
        assert good[-len(sent) + 1 :] == sent[1:]


def test_a_checksum_tells_a_frame_that_follows_a_cut_off_one() -> None:
    link = MemoryLink()
    setup = gauge_setup(pattern="{STX}{pressure} {unit}{ETX}{bcc}")
    gauge = StreamGauge(link, VirtualClock(), setup)
    body = b"612.7 kPa\x03"
    items = played(gauge, link, 1, b"\x02 61\x02" + body + block_check(body))
    assert [type(item) for item in items] == [Condition, Sample]
    assert items[1].value == 612.7


def test_an_answer_between_marks() -> None:
    setup = query(ask=r"\x05", pattern="{STX}{pressure}{ETX}{bcc}")
    exchange = LineExchange(b"\x05", line_decoder(setup))
    text = b"241.5\x03"
    sent = b"\x06\x02" + text + block_check(text)  # an acknowledgement before it does no harm
    for cut in range(len(sent)):
        assert exchange.take(1, sent[:cut]) is None
    reply = exchange.take(2, sent)
    assert reply is not None and reply.whole and reply.used == len(sent)
    assert reply.items == [Sample("pressure", 241.5, 2, GOOD)]
    wrong = exchange.take(2, sent[:-1] + b"?")
    assert wrong is not None and not wrong.whole and isinstance(wrong.items[0], Condition)
