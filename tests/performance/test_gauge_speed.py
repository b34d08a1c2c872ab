# SPDX-License-Identifier: MIT
"""Decoders against the fastest wire, and the bench's way to a reading against a bare read loop."""

from __future__ import annotations

import os
import select
import sys
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import Ratios, best_s  # type: ignore[attr-defined]

sys.path.append(str(Path(__file__).resolve().parent.parent / "io"))

from gauge_texts import gauge_setup, modbus, nmea
from test_asked_gauge import whole

from rig.core.clock import MonotonicClock
from rig.io.gauges.framing import LineFramer
from rig.io.gauges.modbus import register_reads
from rig.io.gauges.nmea import NmeaDecoder
from rig.io.gauges.pattern import checksum, line_decoder
from rig.io.gauges.serial_link import SerialLink
from rig.io.gauges.streaming import StreamGauge

BYTES_A_SECOND = 115_200 / 10
FASTER, LATENCY_RATIO = 20, 3
LINES, TRIES = 4000, 400


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
def test_decoders_are_faster_than_the_wire(form: Callable[..., object], ratios: Ratios) -> None:
    size, decode = form()  # type: ignore[misc]
    speed = size / best_s(decode) / BYTES_A_SECOND
    ratios.at_least(f"decoding {form.__name__}, x 115,200 baud", speed, FASTER)


def test_latency_against_a_bare_read_loop(ratios: Ratios) -> None:
    """From the write of a line's last byte until the reading is out, taking turns with a loop that
    only reads; p99 of each."""
    near, far = os.openpty()
    tty.setraw(far)
    os.set_blocking(near, False)
    port = os.ttyname(far)
    link = SerialLink(port)
    gauge = StreamGauge(link, MonotonicClock(), gauge_setup())
    wrote: list[int] = []
    go = threading.Event()
    over = threading.Event()

    def write() -> None:
        while go.wait() and not over.is_set():
            go.clear()
            time.sleep(0.0005)
            wrote.append(time.perf_counter_ns())
            os.write(near, b"250.5 kPa\r\n")

    def bare() -> int:
        select.select([link.fileno()], [], [])
        os.read(link.fileno() or 0, 4096)
        return time.perf_counter_ns()

    def ours() -> int:
        while True:
            select.select([gauge.fileno()], [], [])
            if gauge.read():
                return time.perf_counter_ns()

    thread = threading.Thread(target=write)
    thread.start()
    taken: dict[str, list[int]] = {"bare": [], "ours": []}
    try:
        for turn in range(2 * TRIES + 2):
            name, wait = ("bare", bare) if turn % 2 else ("ours", ours)
            if turn == 0:
                gauge.read()
                os.write(near, b"\n")
                time.sleep(0.01)
                gauge.read()
            go.set()
            done = wait()
            if turn >= 2:
                taken[name].append(done - wrote[-1])
    finally:
        over.set()
        go.set()
        thread.join()
        gauge.close()
        os.close(near)
        os.close(far)
    p99 = {name: sorted(times)[int(0.99 * len(times))] for name, times in taken.items()}
    note = f"({p99['ours'] / 1e6:.2f} against {p99['bare'] / 1e6:.2f} ms)"
    ratios.at_most("last byte to reading, p99", p99["ours"] / p99["bare"], LATENCY_RATIO, note)
