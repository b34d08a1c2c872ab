# SPDX-License-Identifier: MIT
"""Probe an unknown gauge on a port: listen at the usual rates, then, if allowed, poll.

The requests are standard and only read: IEEE 488.2 `*IDN?`, SCPI-99 `MEAS:PRES?` and `READ?`, and
Modbus functions 3 and 4.
"""

from __future__ import annotations

import select
import struct
import time
from collections.abc import Callable, Iterator
from typing import NamedTuple

from rig.config.gauge.marks import LINES, Marks, named
from rig.io.gauges.framing import Line, LineFramer
from rig.io.gauges.identify import Found, marks_of, period_of, seven_bits, understand
from rig.io.gauges.modbus import FUNCTIONS
from rig.io.gauges.serial_link import SerialLink

RATES = (9600, 19_200, 115_200, 38_400, 57_600, 4800, 2400, 1200)
LISTEN_S, LONGEST_S = 1.6, 6.0
ANSWER_S = 0.35
ENOUGH_LINES = 8
QUESTIONS = ("MEAS:PRES?", "READ?")
ENDS = ("\n", "\r\n", "\r")
UNITS = (*range(1, 11), 247)
REGISTERS = range(10)


class Framing(NamedTuple):
    """How bytes are sent over the wire."""

    baud: int
    bytesize: int = 8
    parity: str = "none"

    @property
    def keys(self) -> dict[str, str]:
        """As keys of [gauge], without defaults."""
        keys = {"baud": str(self.baud)}
        if self.bytesize != 8:
            keys["bytesize"] = str(self.bytesize)
        if self.parity != "none":
            keys["parity"] = f'"{self.parity}"'
        return keys

    def __str__(self) -> str:
        return f"{self.baud} baud, {self.bytesize} bits, parity {self.parity}"


class Heard(NamedTuple):
    """What arrived with a framing: bytes and when."""

    framing: Framing
    pieces: list[tuple[int, bytes]]

    @property
    def data(self) -> bytes:
        return b"".join(data for _, data in self.pieces)

    def lines(self, marks: Marks) -> tuple[list[str], list[float]]:
        """Whole lines or frames and their times, s. The first one may be incomplete and is
        omitted."""
        framer, lines, times = LineFramer(marks=marks), [], []
        for t_ns, data in self.pieces:
            for frame in framer.feed(t_ns, data):
                if isinstance(frame, Line):
                    lines.append(frame.data.decode("latin-1"))
                    times.append(frame.t_ns / 1e9)
        return lines, times


Say = Callable[[str], None]
Hear = Callable[[bytes], None]


def listen(port: str, say: Say, hear: Hear | None = None) -> tuple[Framing, Found, str] | None:
    """What the gauge sends unprompted: framing, keys, and a line as received; None if nothing
    understandable arrived. `hear` gets each piece as it arrives. Raises HardwareError."""
    silent = True
    for rate in RATES:
        heard = _hear(port, Framing(rate), LISTEN_S, hear)
        if not heard.data:
            say(f"{rate} baud: nothing")
            if silent and rate == RATES[2]:
                say("It sends nothing by itself at the usual rates.")
                return None
            continue
        silent = False
        marks = marks_of(heard.data)
        if marks is None:
            parity = seven_bits(heard.data)
            if parity is None:
                say(f"{rate} baud: bytes, but no text")
                continue
            heard = _hear(port, Framing(rate, 7, parity), LISTEN_S, hear)
            marks = marks_of(heard.data) or LINES
        lines, _ = heard.lines(marks)
        if len(lines) < ENOUGH_LINES:  # a slow gauge: listen longer
            heard = _hear(port, heard.framing, LONGEST_S, hear)
            marks = marks_of(heard.data) or marks
        lines, times = heard.lines(marks)
        found = understand(lines, period_of(times), marks)
        if found is not None:
            say(f"{heard.framing}: {len(lines)} {'lines' if marks == LINES else 'frames'}")
            return heard.framing, found, named(lines[-1].encode("latin-1"))
        say(f"{heard.framing}: text, but no number could be made out ({len(lines)} lines)")
    return None


def _hear(port: str, framing: Framing, seconds: float, hear: Hear | None) -> Heard:
    link = SerialLink(port, framing.baud, framing.bytesize, framing.parity)
    try:
        return Heard(framing, _take(link, seconds, hear=hear))
    finally:
        link.close()


def _take(
    link: SerialLink, seconds: float, ends: bytes = b"", hear: Hear | None = None
) -> list[tuple[int, bytes]]:
    """What arrives within a time; with `ends`, until a line has ended."""
    pieces: list[tuple[int, bytes]] = []
    until = time.monotonic() + seconds
    while (left := until - time.monotonic()) > 0:
        fd = link.fileno()
        select.select([] if fd is None else [fd], [], [], min(left, 0.05))
        arrived = link.read()
        pieces += arrived
        if hear is not None:
            for _, data in arrived:
                hear(data)
        if ends and any(end in pieces[-1][1] for end in (b"\r", b"\n") if pieces):
            break
    return pieces


def ask_text(port: str, say: Say) -> tuple[Framing, dict[str, str], list[str], str] | None:
    """A gauge that replies with text: framing, keys, words, and its reading. Raises
    HardwareError."""
    for rate in RATES[:4]:
        link = SerialLink(port, rate)
        try:
            for end in ENDS:
                identity = _answer(link, f"*IDN?{end}")
                replies = {q: _answer(link, f"{q}{end}") for q in QUESTIONS} if identity else {}
                for question, text in replies.items():
                    marks = marks_of(text.encode("latin-1") * 3) or LINES
                    found = understand([text] * 3, None, marks) if text else None
                    if found is None:
                        continue
                    escaped = end.replace("\r", "\\r").replace("\n", "\\n")
                    keys = {"form": '"query"', "ask": f"'{question}{escaped}'"} | found.keys
                    words = [f"It calls itself: {identity}", *found.words[1:]]
                    return Framing(rate), keys, words, found.shown
                if identity:
                    say(
                        f"{rate} baud: it calls itself {identity}, and gives no reading to "
                        f"{' or '.join(QUESTIONS)}; look into its manual for the question"
                    )
        finally:
            link.close()
        say(f"{rate} baud: no answer to text")
    return None


def _answer(link: SerialLink, question: str) -> str:
    link.discard()
    link.write(question.encode("ascii"))
    data = b"".join(piece for _, piece in _take(link, ANSWER_S, b"\n"))
    text = data.strip(b"\r\n").decode("latin-1")
    return text if text and marks_of(data * 3) is not None and text != question.strip() else ""


class Device(NamedTuple):
    """A Modbus device that replied: its readable registers, by kind and address."""

    framing: Framing
    unit: int
    words: dict[tuple[str, int], int]


def ask_modbus(port: str, say: Say) -> Device | None:
    """The first Modbus device that replies. Raises HardwareError."""
    for framing in _framings():
        link = SerialLink(port, framing.baud, framing.bytesize, framing.parity)
        try:
            for unit in UNITS:
                if _read(link, framing, unit, 3, 0) is not None:
                    say(f"{framing}: Modbus device {unit} answers")
                    words = {
                        (kind, address): value
                        for kind, function in FUNCTIONS.items()
                        for address in REGISTERS
                        if isinstance(value := _read(link, framing, unit, function, address), int)
                    }
                    return Device(framing, unit, words)
        finally:
            link.close()
        say(f"{framing}: no Modbus device")
    return None


def _framings() -> Iterator[Framing]:
    for rate in (9600, 19_200):
        for parity in ("none", "even"):
            yield Framing(rate, 8, parity)


def _read(
    link: SerialLink, framing: Framing, unit: int, function: int, address: int
) -> int | str | None:
    """A register's value; "exception" if the device refuses; None if there is no reply."""
    from pymodbus.framer import FramerRTU

    body = struct.pack(">BBHH", unit, function, address, 1)
    time.sleep(max(3.5 * 11 / framing.baud, 0.00175))
    link.discard()
    link.write(body + FramerRTU.compute_CRC(body).to_bytes(2, "big"))
    data = b""
    until = time.monotonic() + 0.12 + 20 * 11 / framing.baud
    while time.monotonic() < until:
        fd = link.fileno()
        select.select([] if fd is None else [fd], [], [], 0.02)
        data += b"".join(piece for _, piece in link.read())
        for length in (5, 7):
            if len(data) >= length and data[0] == unit:
                frame = data[:length]
                if FramerRTU.compute_CRC(frame[:-2]).to_bytes(2, "big") != frame[-2:]:
                    continue
                return "exception" if frame[1] & 0x80 else int.from_bytes(frame[3:5], "big")
    return None


def guesses(device: Device) -> list[str]:
    """The registers in words: as whole numbers, and as the floats of which they may be half."""
    lines = []
    for (kind, address), value in device.words.items():
        signed = value - 65_536 if value > 32_767 else value
        text = f"{kind} register {address}: {signed}"
        following = device.words.get((kind, address + 1))
        if following is not None:
            for order, pair in (("ABCD", (value, following)), ("CDAB", (following, value))):
                number = struct.unpack(">f", struct.pack(">2H", *pair))[0]
                if number == number and 1e-3 < abs(number) < 1e6:
                    text += f'; with the next as float32 "{order}": {number:.5g}'
        lines.append(text)
    return lines
