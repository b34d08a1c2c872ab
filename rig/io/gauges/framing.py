# SPDX-License-Identifier: MIT
"""Extract frames from a byte stream, each with the arrival of its last byte. Pure: no port, no
clock."""

from __future__ import annotations

from typing import NamedTuple

from rig.config.gauge.marks import LINES, Marks, named

LENGTH_MOST = 256

_CR, _LF = 0x0D, 0x0A
_BLANK = b"\r\n\t \0"


class Line(NamedTuple):
    """A whole frame with its marks, or a line without its terminator, and when its end arrived.
    `cut_in`: where its start mark came before the end of a frame, what that frame had so far
    without its own mark: both may be one frame with a byte gone wrong. None for any other."""

    t_ns: int
    data: bytes
    cut_in: bytes | None = None


class BadFrame(NamedTuple):
    """Bytes that are not a frame: `data` is their beginning, `why` says what is wrong."""

    t_ns: int
    data: bytes
    why: str


class LineFramer:
    """Cuts the stream into frames: between `marks`, or lines that end with CR, LF or both.

    A frame is accepted only when its end has arrived. Bytes before the first start mark (without
    one: before the first end) are discarded, since their beginning is missing. A start mark begins
    a frame anywhere; any bytes before it without an end are a BadFrame, and the frame it begins has
    them as `cut_in`. A frame that ends without having begun is also a BadFrame, and so is an
    over-long one, whose remainder is discarded too. Empty lines are skipped, and so are bytes
    between an end and the next start mark.
    """

    def __init__(
        self, length_most: int = LENGTH_MOST, marks: Marks = LINES, *, whole: bool = False
    ) -> None:
        """`whole`: the first byte begins a frame, as in the reply to a request."""
        self._most, self._marks = length_most, marks
        self._from_first = whole
        self.rejected = 0
        self.reset()

    def reset(self) -> None:
        """Discard what was collected, as after opening the port."""
        self._buffer = bytearray()
        self._synchronised = self._from_first
        self._inside = self._from_first and not self._marks.start
        self._check_left = 0
        self._ended = self._reported = False
        self._cut_in: bytes | None = None

    @property
    def pending(self) -> bytes:
        """Bytes of a frame whose end has not arrived."""
        return bytes(self._buffer)

    def feed(self, t_ns: int, data: bytes) -> list[Line | BadFrame]:
        """Add bytes that arrived at `t_ns`; returns what they completed, in order."""
        out: list[Line | BadFrame] = []
        if self._marks.start or self._marks.end:
            for byte in data:
                self._marked(t_ns, byte, out)
            return out
        start = 0
        for end, byte in enumerate(data):
            if byte in (_CR, _LF):
                self._take(t_ns, data[start:end], out)
                self._end(t_ns, out)
                start = end + 1
        self._take(t_ns, data[start:], out)
        return out

    def _marked(self, t_ns: int, byte: int, out: list[Line | BadFrame]) -> None:
        marks, buffer = self._marks, self._buffer
        if byte in (_CR, _LF) and not marks.end:
            self._end(t_ns, out)
            return
        if byte in (_CR, _LF) and not buffer:  # the line end after an end mark
            return
        self._take(t_ns, bytes([byte]), out)
        if self._check_left:
            self._check_left -= 1
            # a one-byte check may have any value, even that of a mark
            if not self._check_left and (marks.after == 1 or not self._begins()):
                self._end(t_ns, out)
                return
            if marks.after == 1:
                return
        if self._begins():
            self._begin(t_ns, out)
        elif marks.end and not self._check_left and buffer.endswith(marks.end):
            self._check_left = marks.after if self._inside or not marks.start else 0
            if not self._check_left:
                self._end(t_ns, out)

    def _begins(self) -> bool:
        return bool(self._marks.start) and self._buffer.endswith(self._marks.start)

    def _begin(self, t_ns: int, out: list[Line | BadFrame]) -> None:
        mark = len(self._marks.start)
        before = bytes(self._buffer[:-mark])
        if self._inside and before:
            self._bad(t_ns, before, "was cut off by the start of the next one", out)
        cut_in = (self._cut_in or b"") + before[mark:]
        self._cut_in = cut_in[-self._most :] if self._inside else None
        self._buffer[:] = self._marks.start
        self._inside = self._synchronised = True
        self._check_left, self._reported = 0, False

    def _take(self, t_ns: int, data: bytes, out: list[Line | BadFrame]) -> None:
        self._buffer += data
        if len(self._buffer) <= self._most:
            return
        start, end = named(self._marks.start), named(self._marks.end) or "line end"
        if self._ended and self._inside:
            why = f"longer than {self._most} bytes"
        else:
            lacks = end if self._inside else start or end
            why = (
                f"no {lacks} in {self._most} bytes; check the baud rate and that the gauge sends "
                f"{'lines' if lacks == 'line end' else 'it'}"
            )
        if self._inside or not self._reported:
            self._bad(t_ns, bytes(self._buffer[: self._most]), why, out)
            self._reported = True
        self._synchronised = self._inside = False
        self._check_left = 0
        self._buffer.clear()

    def _end(self, t_ns: int, out: list[Line | BadFrame]) -> None:
        data = bytes(self._buffer)
        if self._inside and data:
            out.append(Line(t_ns, data, self._cut_in))
        elif self._synchronised and data.strip(_BLANK):
            self._bad(t_ns, data, f"has no {named(self._marks.start)} at its beginning", out)
        self._buffer.clear()
        self._check_left = 0
        self._inside = not self._marks.start
        self._synchronised = self._synchronised or self._inside
        self._ended, self._reported, self._cut_in = True, False, None

    def _bad(self, t_ns: int, data: bytes, why: str, out: list[Line | BadFrame]) -> None:
        self.rejected += 1
        out.append(BadFrame(t_ns, data, why))
