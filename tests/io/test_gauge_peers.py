# SPDX-License-Identifier: MIT
"""Gauges on real terminals: another library's Modbus server, and an emulator with faults."""

from __future__ import annotations

import asyncio
import json
import os
import struct
import threading
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
from emulated_gauges import emulated, read_emulated, read_for
from gauge_texts import gauge_setup, modbus, query, whole

from rig.core.records import GOOD, Condition, Sample
from rig.io.gauges.open_gauge import open_gauge
from rig.io.gauges.polled import NO_ANSWER


def values(items: list[Sample | Condition], channel: str = "pressure") -> list[float | None]:
    return [x.value for x in items if isinstance(x, Sample) and x.channel == channel]


@pytest.fixture
def server_port() -> Iterator[str]:
    """pymodbus's own serial server with registers 100 to 109, at one end of a joined pair."""
    from pymodbus.server import ModbusSerialServer
    from pymodbus.simulator import DataType, SimData, SimDevice

    words = [*struct.unpack(">2H", struct.pack(">f", 2.5)), 905]
    registers = [SimData(100, values=words, datatype=DataType.REGISTERS)]
    a_near, a_far = os.openpty()
    b_near, b_far = os.openpty()
    for fd in (a_far, b_far, a_near, b_near):
        tty.setraw(fd)
    over = os.eventfd(0)

    def join() -> None:
        """A cable between the two terminals."""
        import select

        while True:
            ready, _, _ = select.select([a_near, b_near, over], [], [])
            if over in ready:
                return
            for one, other in ((a_near, b_near), (b_near, a_near)):
                if one in ready:
                    os.write(other, os.read(one, 4096))

    loop = asyncio.new_event_loop()
    started = threading.Event()
    servers = []

    async def serve() -> None:
        server = ModbusSerialServer(
            SimDevice(1, registers), port=os.ttyname(b_far), baudrate=19_200
        )
        servers.append(server)
        await server.serve_forever(background=True)
        started.set()

    def run() -> None:
        loop.run_until_complete(serve())
        loop.run_forever()

    cable, thread = threading.Thread(target=join), threading.Thread(target=run)
    cable.start()
    thread.start()
    assert started.wait(10)
    yield os.ttyname(a_far)
    asyncio.run_coroutine_threadsafe(servers[0].shutdown(), loop).result(10)
    loop.call_soon_threadsafe(loop.stop)
    thread.join()
    loop.run_until_complete(asyncio.sleep(0))
    loop.close()
    os.eventfd_write(over, 1)
    cable.join()
    for fd in (a_near, a_far, b_near, b_far, over):
        os.close(fd)


def test_against_pymodbus_own_server(server_port: str) -> None:
    channel = {"channel": "oil_temperature", "unit": "degC",
               "modbus": {"address": 102, "type": "int16", "scale": 0.1}}  # fmt: skip
    gauge = modbus(
        unit="bar", baud=19_200, modbus={"address": 100, "type": "float32"}, channels=[channel]
    )
    opened = open_gauge(gauge, server_port)
    try:
        got = read_for(opened, 10, 8)
    finally:
        opened.close()
    assert set(values(got)) == {250.0}
    assert values(got, "oil_temperature") == pytest.approx([90.5] * 4)
    assert not [x for x in got if isinstance(x, Condition)]


def test_a_register_that_the_server_lacks(server_port: str) -> None:
    gauge = modbus(unit="bar", baud=19_200, modbus={"address": 500, "type": "int16"})
    opened = open_gauge(gauge, server_port)
    try:
        got = read_for(opened, 0.5)
    finally:
        opened.close()
    assert values(got) == []
    assert all(isinstance(x, Condition) and "no such register" in x.detail for x in got) and got


@pytest.mark.parametrize("baud", [300, 9600, 115_200])
def test_lines_at_the_speed_of_the_wire(tmp_path: Path, baud: int) -> None:
    """300 baud: a byte every 33 ms; a line is taken when its end is there, never before."""
    got = read_emulated(
        tmp_path, gauge_setup(baud=baud), seconds=20, enough=3,
        lines=["250.5 kPa\r\n"], period_ms=10, byte_us=10e6 / baud,
    )  # fmt: skip
    assert values(got)[:3] == [250.5] * 3
    assert not [x for x in got if isinstance(x, Condition)]


def test_faults_on_the_wire_never_give_a_value_that_was_not_sent(tmp_path: Path) -> None:
    lines = [f"{n}.5 kPa\r\n" for n in range(100, 700, 7)]
    faults = ["sound", "drop", "garbage", "half", "noise", "pause"]
    with emulated(tmp_path, lines=lines, period_ms=2, faults=faults, count=400, seed=3) as (
        port,
        process,
    ):
        opened = open_gauge(gauge_setup(), port)
        got = read_for(opened, 30, 90)
        opened.close()
        process.kill()
        sent = [float(json.loads(x).split()[0]) for x in process.stdout or () if x[0] == '"']
    good = [x.value for x in got if isinstance(x, Sample) and x.quality == GOOD]
    assert len(good) >= 90 and opened.frames_rejected > 20
    rest = iter(sent)
    assert all(value in rest for value in good), "a value that was not sent, or out of order"


def test_a_question_answered_through_faults(tmp_path: Path) -> None:
    got = read_emulated(
        tmp_path, query(period=0.02, reply_within=0.1), seconds=20, enough=20,
        answers={"MEAS:PRES?\n": "150.5\r\n"}, late_ms=3,
        faults=["sound", "sound", "drop", "garbage", "noise"],
    )  # fmt: skip
    assert set(values(got)) <= {150.5, None} and values(got).count(150.5) >= 15
    assert {x.kind for x in got if isinstance(x, Condition)} >= {NO_ANSWER}


def test_registers_through_faults(tmp_path: Path) -> None:
    request = bytes.fromhex("0103006b0001f5d6").decode("latin-1")
    reply = whole(bytes.fromhex("0103020096")).decode("latin-1")
    got = read_emulated(
        tmp_path, modbus(period=0.02, reply_within=0.1), seconds=20, enough=20,
        answers={request: reply}, late_ms=3, faults=["sound", "sound", "drop", "noise", "pause"],
    )  # fmt: skip
    assert set(values(got)) == {150.0} and len(values(got)) >= 20
