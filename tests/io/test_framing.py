# SPDX-License-Identifier: MIT
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.io.gauges.framing import LENGTH_MOST, BadFrame, Line, LineFramer


def opened() -> LineFramer:
    """A framer that has seen its first line end."""
    framer = LineFramer()
    assert framer.feed(0, b"\n") == []
    return framer


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n"])
def test_every_line_end(end: bytes) -> None:
    framer = opened()
    assert framer.feed(7, b"12.5" + end + b"13" + end) == [Line(7, b"12.5"), Line(7, b"13")]
    assert framer.pending == b""


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n"])
def test_split_at_every_byte(end: bytes) -> None:
    """A frame is complete when its last byte is there, not before, and carries that instant."""
    sent = b"P=12.5 psi" + end
    for cut in range(len(sent) + 1):
        framer = opened()
        got = framer.feed(100, sent[:cut]) + framer.feed(200, sent[cut:])
        ended_by_first = cut >= len(sent) - (len(end) - 1)
        assert got == [Line(100 if ended_by_first else 200, b"P=12.5 psi")]
        assert framer.pending == b""


def test_a_partial_line_is_never_a_line() -> None:
    framer = opened()
    assert framer.feed(1, b"12.34 ps") == []
    assert framer.pending == b"12.34 ps"


def test_what_comes_before_the_first_end_is_thrown_away() -> None:
    framer = LineFramer()
    assert framer.feed(1, b"2.34 psi\r") == []  # its beginning is missing: 12.34 or 92.34?
    assert framer.feed(2, b"\n12.34 psi\r\n") == [Line(2, b"12.34 psi")]
    framer.reset()
    assert framer.feed(3, b"2.34 psi\r\n12.34 psi\r\n") == [Line(3, b"12.34 psi")]


def test_reset_forgets_half_a_line() -> None:
    framer = opened()
    framer.feed(1, b"12")
    framer.reset()
    assert framer.pending == b""
    assert framer.feed(2, b".5\n3.5\n") == [Line(2, b"3.5")]


def test_the_longest_line_and_one_byte_more() -> None:
    framer = opened()
    whole = b"x" * LENGTH_MOST
    assert framer.feed(1, whole + b"\n") == [Line(1, whole)]
    (bad,) = framer.feed(2, whole + b"y" + b"z" * 1000)
    assert bad == BadFrame(2, whole, "longer than 256 bytes")
    assert framer.feed(3, b"z" * 5000) == []  # told once
    assert framer.feed(4, b"\n5.0\n") == [Line(4, b"5.0")]
    assert framer.rejected == 1


def test_a_wire_without_line_ends_is_told_once_with_what_to_check() -> None:
    framer = LineFramer()
    bad = [frame for n in range(100) for frame in framer.feed(n, b"\x00\xff" * 50)]
    assert len(bad) == 1
    assert isinstance(bad[0], BadFrame)
    assert "check the baud rate" in bad[0].why
    assert len(framer.pending) <= LENGTH_MOST


def lines_of(stream: bytes, most: int) -> list[bytes]:
    """The lines of a stream, said another way: split, drop the first, the empty, the over-long,
    and the last, whose end has not come."""
    parts = re.split(rb"[\r\n]", stream)
    return [part for part in parts[1:-1] if 0 < len(part) <= most]


@given(
    st.lists(st.binary(max_size=40).map(lambda b: b.replace(b"\x07", b"\r\n")), max_size=20),
    st.lists(st.sampled_from([b"\r", b"\n", b"\r\n", b"12.5", b"x" * 40]), max_size=20),
)
def test_frames_do_not_depend_on_how_the_bytes_are_cut(
    pieces: list[bytes], more: list[bytes]
) -> None:
    pieces = pieces + more
    cut, whole, single = (LineFramer(32) for _ in range(3))
    stream = b"".join(pieces)
    by_piece = [frame for n, piece in enumerate(pieces) for frame in cut.feed(n, piece)]
    at_once = whole.feed(0, stream)
    by_byte = [frame for n, byte in enumerate(stream) for frame in single.feed(n, bytes([byte]))]
    for frames in (by_piece, at_once, by_byte):
        assert [f.data for f in frames if isinstance(f, Line)] == lines_of(stream, 32)
    bad = [
        [(f.data, f.why) for f in frames if isinstance(f, BadFrame)]
        for frames in (by_piece, at_once, by_byte)
    ]
    assert bad[0] == bad[1] == bad[2]
    stamps = [frame.t_ns for frame in by_piece]
    assert stamps == sorted(stamps)
