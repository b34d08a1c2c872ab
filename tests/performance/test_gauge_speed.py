# SPDX-License-Identifier: MIT
"""Decoders against the fastest wire, and the bench's way to a reading against a bare read loop."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
import tty
from collections.abc import Callable
from pathlib import Path

import pytest
from blocks import hold_at_most, reference_work, timed
from conftest import Ratios  # type: ignore[attr-defined]

sys.path.append(str(Path(__file__).resolve().parent.parent / "io"))

from gauge_texts import gauge_setup, modbus, nmea, whole

from rig.core.clock import MonotonicClock
from rig.io.gauges.framing import LineFramer
from rig.io.gauges.modbus import register_reads
from rig.io.gauges.nmea import NmeaDecoder
from rig.io.gauges.pattern import checksum, line_decoder
from rig.io.gauges.serial_link import SerialLink
from rig.io.gauges.streaming import StreamGauge

BYTES_A_SECOND = 115_200 / 10
LATENCY_RATIO = 3
DECODING_TIMES = {"lines": 1.0, "sentences": 1.0, "registers": 1.0}
LINES, TRIES = 4000, 100


def lines() -> tuple[int, Callable[[], object]]:
    decoder = line_decoder(gauge_setup())
    data = b"".join(b"%.1f kPa\r\n" % (100 + n % 500) for n in range(LINES))
    return len(data), lambda: [decoder.readings(1, x.data) for x in LineFramer().feed(1, data)]


def sentences() -> tuple[int, Callable[[], object]]:
    decoder = NmeaDecoder(nmea())
    bodies = [f"$IIXDR,P,{100_000 + 10 * n},P,OILP*" for n in range(LINES)]
    data = "".join(f"{x}{checksum('xor', x.encode()):02X}\r\n" for x in bodies).encode()
    return len(data), lambda: [decoder.readings(1, x.data) for x in LineFramer().feed(1, data)]


def registers() -> tuple[int, Callable[[], object]]:
    (read,) = register_reads(modbus(modbus={"type": "int16"}))
    frames = [whole(b"\x01\x03\x02" + n.to_bytes(2, "big")) for n in range(100, 600)]
    size = sum(len(read.request) + len(frame) for frame in frames)  # what the wire carries
    return size, lambda: [read.take(1, frame) for frame in frames]


@pytest.mark.parametrize("form", [lines, sentences, registers])
def test_decoding_against_reference_work(form: Callable[..., object], ratios: Ratios) -> None:
    """Time to decode what one second of a full wire at 115,200 baud carries."""
    size, decode = form()  # type: ignore[misc]
    seconds = size / BYTES_A_SECOND

    def ours() -> list[float]:
        return [taken / seconds for taken in timed(decode, 1, time.process_time)()]

    found = hold_at_most(
        ratios, f"decoding {form.__name__}, one second of 115,200 baud, times the reference work",
        DECODING_TIMES[form.__name__], ours, timed(reference_work, 2, time.process_time),
    )  # fmt: skip
    ratios.note(f"decoding {form.__name__}, x 115,200 baud", f"{1 / found.ours:.0f}")


WRITER = """
import os, sys, time
near = int(sys.argv[1])
while os.read(0, 1):
    time.sleep(0.0005)
    wrote = time.perf_counter_ns()
    os.write(near, b"250.5 kPa\\r\\n")
    os.write(1, wrote.to_bytes(8, "little"))
"""
"""The gauge: a process of its own, so that it shares no interpreter lock with what is measured."""


def test_latency_against_a_bare_read_loop(ratios: Ratios) -> None:
    """From the write of a line's last byte until the reading is out, taking turns with a loop that
    only reads; p99 of each."""
    near, far = os.openpty()
    tty.setraw(far)
    port = os.ttyname(far)
    link = SerialLink(port)
    gauge = StreamGauge(link, MonotonicClock(), gauge_setup())
    writer = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(near)], bufsize=0, pass_fds=[near],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )  # fmt: skip
    go, wrote = writer.stdin, writer.stdout
    assert go is not None and wrote is not None

    def bare() -> int:
        select.select([link.fileno()], [], [])
        os.read(link.fileno() or 0, 4096)
        return time.perf_counter_ns()

    def ours() -> int:
        while True:
            select.select([gauge.fileno()], [], [])
            if gauge.read():
                return time.perf_counter_ns()

    def block(wait: Callable[[], int]) -> list[float]:
        taken = []
        for _ in range(TRIES):
            go.write(b".")
            done = wait()
            taken.append((done - int.from_bytes(wrote.read(8), "little")) / 1e9)
        return taken

    try:
        gauge.read()
        os.write(near, b"\n")
        time.sleep(0.01)
        gauge.read()
        for wait in (bare, ours):
            block(wait)
        hold_at_most(
            ratios, "last byte to reading, p99, times a bare read loop", LATENCY_RATIO,
            lambda: block(ours), lambda: block(bare),
            note="({ours:.2g} s against {reference:.2g} s)",
        )  # fmt: skip
    finally:
        go.close()
        writer.wait()
        wrote.close()
        gauge.close()
        os.close(near)
        os.close(far)
