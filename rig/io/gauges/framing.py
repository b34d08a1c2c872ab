# SPDX-License-Identifier: MIT
"""Lines out of a byte stream, each with the arrival of its last byte. Pure: no port, no clock."""

from __future__ import annotations

from typing import NamedTuple

LENGTH_MOST = 256

_CR, _LF = 0x0D, 0x0A


class Line(NamedTuple):
    """A terminated line without its terminator, and when that arrived."""

    t_ns: int
    data: bytes


class BadFrame(NamedTuple):
    """Bytes that are no line: `data` is their beginning, `why` says what is wrong."""

    t_ns: int
    data: bytes
    why: str


class LineFramer:
    """Collects bytes into lines that end with CR, LF or both.

    A line is taken only when its end has arrived; what comes before the first end after opening is
    thrown away, since its beginning is missing. An over-long line is one BadFrame and its rest is
    thrown away too. Empty lines are skipped: CR LF makes one.
    """

    def __init__(self, length_most: int = LENGTH_MOST) -> None:
        self._most = length_most
        self.rejected = 0
        self.reset()

    def reset(self) -> None:
        """Forget what was collected, as after opening the port."""
        self._buffer = bytearray()
        self._synchronised = False
        self._reported = False

    @property
    def pending(self) -> bytes:
        """Bytes of a line whose end has not arrived."""
        return bytes(self._buffer)

    def feed(self, t_ns: int, data: bytes) -> list[Line | BadFrame]:
        """Take bytes that arrived at `t_ns`; returns what they completed, in order."""
        out: list[Line | BadFrame] = []
        start = 0
        for end, byte in enumerate(data):
            if byte in (_CR, _LF):
                self._take(t_ns, data[start:end], out)
                self._end(t_ns, out)
                start = end + 1
        self._take(t_ns, data[start:], out)
        return out

    def _take(self, t_ns: int, data: bytes, out: list[Line | BadFrame]) -> None:
        self._buffer += data
        if len(self._buffer) <= self._most:
            return
        why = (
            f"longer than {self._most} bytes"
            if self._synchronised
            else f"no line end in {self._most} bytes; check the baud rate and that the gauge sends "
            "lines"
        )
        if self._synchronised or not self._reported:
            self.rejected += 1
            out.append(BadFrame(t_ns, bytes(self._buffer[: self._most]), why))
            self._reported = True
        self._synchronised = False
        self._buffer.clear()

    def _end(self, t_ns: int, out: list[Line | BadFrame]) -> None:
        if self._synchronised and self._buffer:
            out.append(Line(t_ns, bytes(self._buffer)))
        self._buffer.clear()
        self._synchronised = True
        self._reported = False
