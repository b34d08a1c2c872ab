# SPDX-License-Identifier: MIT
"""The opened simulated rig, in virtual and in real time: one set of checks for both."""

from __future__ import annotations

import itertools
import os
import stat
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from simulated_rigs import MS, NS, setup

from rig.core.errors import HardwareError, UsageError
from rig.core.ports import Coil, EdgeSource, GaugePort, Hardware, World
from rig.core.records import GOOD, READBACK, SWITCH, Condition, Edge, Sample
from rig.simulated.rig import SimulatedHardware, open_simulated


class Driver:
    """A bare loop over the ports, as the bench has one."""

    def __init__(self, hardware: SimulatedHardware) -> None:
        self.hardware = hardware
        self.edges: list[Edge] = []
        self.gauge: list[Sample | Condition] = []

    def until(self, t_ns: int) -> None:
        world = self.hardware.world
        while world.now_ns() < t_ns:
            self.turn(min(t_ns, world.now_ns() + 20 * MS))

    def until_seen(self, seen: Callable[[], bool], at_most_s: int = 20) -> bool:
        """Turn until something was seen; a busy machine may take its time."""
        end_ns = self.hardware.world.now_ns() + at_most_s * NS
        while not seen() and self.hardware.world.now_ns() < end_ns:
            self.turn(min(end_ns, self.hardware.world.now_ns() + 20 * MS))
        return seen()

    def turn(self, until_ns: int) -> None:
        hardware = self.hardware
        gauge = hardware.gauge
        fds = [hardware.edges.fileno(), gauge.fileno() if gauge is not None else None]
        hardware.world.wait(until_ns, [fd for fd in fds if fd is not None])
        if gauge is not None:
            self.gauge += gauge.read()
        self.edges += hardware.edges.read()

    def stroke(self, on_ms: int = 150, rest_ms: int = 150) -> tuple[int, int]:
        world, coil = self.hardware.world, self.hardware.coil
        on_ns = world.now_ns()
        coil.on()
        self.until(on_ns + on_ms * MS)
        off_ns = world.now_ns()
        coil.off()
        self.until(off_ns + rest_ms * MS)
        return on_ns, off_ns


def opened(fast: bool, **more: Any) -> SimulatedHardware:
    return open_simulated(setup(**more), fast=fast, seed=None, start_ns=5 * NS)


@pytest.fixture(params=[True, False], ids=["virtual time", "real time"])
def driver(request: pytest.FixtureRequest) -> Iterator[Driver]:
    hardware = opened(request.param, gauge={"period": "50 ms"})
    try:
        yield Driver(hardware)
    finally:
        hardware.close()


def test_it_is_what_the_bench_expects(driver: Driver) -> None:
    hardware: Hardware = driver.hardware
    coil: Coil = hardware.coil
    edges: EdgeSource = hardware.edges
    gauge: GaugePort | None = hardware.gauge
    world: World = hardware.world
    assert hardware.source == "simulated"
    assert edges.lines == (SWITCH, READBACK)
    assert not coil.commanded_on
    assert gauge is not None
    assert world.now_ns() > 0
    assert hardware.description["chip"] == "simulated"
    assert "fault" not in " ".join(hardware.description.values())


def test_strokes_come_back_as_edges_with_the_plants_instants(driver: Driver) -> None:
    hardware = driver.hardware
    driver.until(hardware.world.now_ns() + 30 * MS)
    for _ in range(3):
        driver.stroke()
    truth = hardware.plant.truth
    live = [edge for edge in driver.edges if edge.line == READBACK]
    closings = set(truth.times_ns("contact closed"))
    assert len(closings) == 3
    assert closings <= {edge.t_ns for edge in live}
    for on_ns, closed_ns in zip(truth.times_ns("command on"), sorted(closings), strict=True):
        assert 5 * MS < closed_ns - on_ns < 7 * MS  # 6 ms of relay and its scatter
    for line in (SWITCH, READBACK):
        of_line = [edge for edge in driver.edges if edge.line == line]
        assert [edge.sequence for edge in of_line] == list(range(1, len(of_line) + 1))
        assert all(edge.source == "plant" for edge in of_line)
        assert all(a.t_ns < b.t_ns for a, b in itertools.pairwise(of_line))
        assert all(a.level != b.level for a, b in itertools.pairwise(of_line))
        assert hardware.edges.level(line) == of_line[-1].level
    assert hardware.edges.level(READBACK) == 0


def test_an_edge_wakes_the_wait(driver: Driver) -> None:
    """A wait of seconds returns when the first edge is there."""
    hardware = driver.hardware
    driver.until(hardware.world.now_ns() + 120 * MS)
    begin_ns = hardware.world.now_ns()
    hardware.coil.on()
    turns = 0
    while not driver.edges:
        driver.turn(begin_ns + 100 * NS)
        turns += 1
    # one long wait would have taken all of it; a byte of the gauge wakes it as well
    assert hardware.world.now_ns() < begin_ns + 50 * NS
    assert turns < 200


def test_readings_arrive(driver: Driver) -> None:
    assert driver.until_seen(lambda: len(driver.gauge) >= 5)
    good = [item for item in driver.gauge if isinstance(item, Sample) and item.quality == GOOD]
    assert len(good) == len(driver.gauge)
    assert all(sample.value is not None and sample.value < 5.0 for sample in good)


def test_close_is_off_and_idempotent(driver: Driver) -> None:
    hardware = driver.hardware
    hardware.coil.on()
    assert driver.until_seen(lambda: hardware.edges.level(READBACK) == 1)
    hardware.close()
    assert not hardware.coil.commanded_on
    hardware.plant.advance(hardware.world.now_ns() + NS)
    assert hardware.plant.level("readback") == 0
    hardware.close()
    with pytest.raises(HardwareError, match="closed"):
        hardware.edges.level(SWITCH)


@pytest.mark.parametrize("fast", [True, False])
def test_an_unplugged_gauge_is_told(fast: bool) -> None:
    hardware = opened(fast, simulated={"fault": "gauge disconnected", "fault_after": "200 ms"})
    driver = Driver(hardware)
    try:
        assert driver.until_seen(lambda: any(isinstance(item, Condition) for item in driver.gauge))
        lost = [item for item in driver.gauge if isinstance(item, Condition)]
        assert [condition.kind for condition in lost] == ["gauge lost"]
    finally:
        hardware.close()


@pytest.mark.parametrize("fast", [True, False])
def test_the_hand_follows_the_guide(fast: bool) -> None:
    hand = {"hand_rate": "400 kPa/s", "hand_reaction": "10 ms"}
    hardware = opened(fast, simulated={"supply": hand})
    driver = Driver(hardware)
    try:
        driver.until(hardware.world.now_ns() + 20 * MS)
        hardware.world.guide("raise")
        assert driver.until_seen(lambda: any(edge.line == SWITCH for edge in driver.edges))
    finally:
        hardware.close()


def test_virtual_time_repeats_itself_to_the_byte() -> None:
    results = []
    for _ in range(2):
        hardware = opened(True)
        driver = Driver(hardware)
        driver.until(hardware.world.now_ns() + NS)
        for _ in range(4):
            driver.stroke(500, 500)
        results.append((driver.edges, driver.gauge))
        hardware.close()
    assert results[0] == results[1]
    other = open_simulated(setup(), fast=True, seed=99, start_ns=5 * NS)
    driver = Driver(other)
    driver.until(6 * NS)
    driver.stroke(500, 500)
    other.close()
    assert driver.edges != results[0][0][: len(driver.edges)]


def test_virtual_time_is_one_thread_and_no_descriptor() -> None:
    before = threading.active_count()
    hardware = opened(True)
    assert threading.active_count() == before
    assert hardware.edges.fileno() is None
    assert hardware.gauge is not None
    assert hardware.gauge.fileno() is None
    hardware.close()


def test_real_bytes_on_a_real_terminal() -> None:
    """pyserial reads from a terminal device; its line is the plant's, byte for byte."""
    hardware = opened(False, gauge={"period": "30 ms"})
    try:
        port = hardware.description["gauge port"]
        assert stat.S_ISCHR(os.stat(port).st_mode)
        assert hardware.gauge is not None
        assert os.isatty(hardware.gauge.fileno() or -1)
    finally:
        hardware.close()


def test_a_failing_plant_is_a_lost_edge_source(monkeypatch: pytest.MonkeyPatch) -> None:
    hardware = opened(False)
    monkeypatch.setattr(threading, "excepthook", lambda _args: None)  # the fault is wanted here
    try:

        def fail(_t_ns: int) -> None:
            raise RuntimeError("invented")

        monkeypatch.setattr(hardware.plant, "advance", fail)
        deadline = time.monotonic() + 5.0
        with pytest.raises(HardwareError, match=r"simulated plant stopped.*invented"):
            while time.monotonic() < deadline:
                hardware.edges.read()
                time.sleep(0.005)
        with pytest.raises(HardwareError, match="simulated plant stopped"):
            hardware.edges.level(SWITCH)
        assert hardware.edges.fileno() is None
    finally:
        monkeypatch.undo()
        hardware.close()


def test_a_board_setup_is_refused() -> None:
    board = setup(backend="board", simulated=None)
    with pytest.raises(UsageError, match='backend is "board"'):
        open_simulated(board, fast=True, seed=None, start_ns=0)


def test_a_line_the_board_lacks_is_refused_and_nothing_is_left_open() -> None:
    with pytest.raises(HardwareError, match="Line 99"):
        opened(False, switch={"line": 99})
    with pytest.raises(HardwareError, match="Relay line 98"):
        opened(False, relay={"line": 98})


def test_a_long_run_keeps_nothing_but_the_truth() -> None:
    """Nothing that is taken stays behind: what grows with the strokes is 8 bytes a truth."""
    hardware = opened(True)
    driver = Driver(hardware)
    plant = hardware.plant
    driver.until(hardware.world.now_ns() + NS)
    for _ in range(50):
        driver.stroke(100, 100)
    assert len(plant._outbox._planned) < 20
    assert plant.take_edges() == []
    assert plant.take_bytes() == []
    assert len(plant._hydraulics.trajectory.nodes) < 150
    assert len(plant._plunger.nodes) < 50
    assert len(plant._relay._planned) < 20
    hardware.close()


def test_the_simulation_knows_nothing_of_the_analysis() -> None:
    code = (
        "import sys, rig.simulated.rig\n"
        "bad = [m for m in sys.modules if m.startswith(('rig.analysis', 'rig.bench'))]\n"
        "sys.exit(' '.join(bad) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
