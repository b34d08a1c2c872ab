# SPDX-License-Identifier: MIT
"""Open the simulated rig: the same ports as a board, with a plant behind them."""

from __future__ import annotations

import contextlib
import os
import tty
from dataclasses import dataclass
from importlib.metadata import version

from rig.config.plant.wiring import WiringPart
from rig.config.setup.model import Setup
from rig.core.clock import MonotonicClock, VirtualClock
from rig.core.errors import UsageError
from rig.core.ports import World
from rig.core.records import ENGINE_SPEED, READBACK, SWITCH
from rig.io.analog_opening import open_analog, told
from rig.io.gauges.links import MemoryLink
from rig.io.gauges.open_gauge import Gauge, gauge_on, open_gauge
from rig.io.gpio import RelayCoil
from rig.io.opened_rig import OpenedRig
from rig.io.slow_lines import open_slow_lines
from rig.simulated.converter.spi_peer import SpiPeer
from rig.simulated.edges import SimulatedEdges
from rig.simulated.pins import SimulatedFactory
from rig.simulated.plant import Plant
from rig.simulated.virtual_time import FedWorld, Feeder, VirtualWorld

SIMULATED = "simulated"


@dataclass(kw_only=True)
class SimulatedHardware(OpenedRig):
    """An opened simulated rig (the Hardware port). `plant` is for tests only."""

    edges: SimulatedEdges
    world: World
    plant: Plant


def open_simulated(
    setup: Setup, *, fast: bool, seed: int | None, start_ns: int = 0
) -> SimulatedHardware:
    """Open the simulated rig of a setup; nothing is energised.

    `fast`: virtual time in one thread, beginning at `start_ns`; otherwise the kernel's clock and a
    thread that keeps the plant in step with it. `seed`: None takes the setup's. Raises UsageError
    for a setup of another backend, HardwareError for an unavailable line.
    """
    parameters = setup.simulated
    if setup.backend != SIMULATED or parameters is None:
        raise UsageError(
            f'The setup\'s backend is "{setup.backend}", not "simulated"; nothing was energised. '
            'Use a setup with backend = "simulated".'
        )
    seed = parameters.seed if seed is None else seed
    with contextlib.ExitStack() as opened:
        description = {
            "chip": "simulated",
            "factory": f"mock pins of gpiozero {version('gpiozero')}",
            "seed": str(seed),
            "time": "virtual" if fast else "real",
        }
        factory = SimulatedFactory()
        opened.callback(factory.close)
        real_clock = MonotonicClock()
        begin_ns = start_ns if fast else real_clock.now_ns()
        description["plant began, ns"] = str(begin_ns)  # so that the run can be repeated
        plant = Plant(parameters, setup, seed, begin_ns)
        lines: dict[str, tuple[int, str]] = {SWITCH: (setup.switch.line, setup.switch.pull)}
        if setup.engine_speed is not None:
            lines[ENGINE_SPEED] = (setup.engine_speed.line, setup.engine_speed.pull)
        if setup.readback is not None:
            lines[READBACK] = (setup.readback.line, setup.readback.pull)
        levels = {name: plant.level(name) for name in lines}
        edges = SimulatedEdges(factory, lines, levels, wakes=not fast)
        opened.callback(edges.close)
        gauge: Gauge | None = None
        world: World
        now_ns, volts = real_clock.now_ns, plant.input_volts
        virtual_clock: VirtualClock | None = None
        if fast:
            clock = virtual_clock = VirtualClock(begin_ns)
            now_ns = clock.now_ns
            link = MemoryLink() if setup.gauge is not None else None
            if setup.gauge is not None and link is not None:
                gauge = gauge_on(link, clock, setup.gauge)
                opened.callback(gauge.close)
                description["gauge port"] = "memory"
            virtual = VirtualWorld(plant, clock, edges, link)
            relay_changed, beaten = virtual.relay_changed, virtual.heartbeat_changed
            world = virtual
        else:
            wire_fd = None
            if setup.gauge is not None:
                gauge, wire_fd, port = _gauge_on_pty(setup, opened)
                description["gauge port"] = port
            feeder = Feeder(plant, edges, wire_fd)
            edges.catch_up = feeder.catch_up
            opened.callback(feeder.end)
            feeder.start()
            if setup.gauge is not None and setup.gauge.asked:
                feeder.listen()
            relay_changed, beaten = feeder.relay_changed, feeder.heartbeat_changed
            volts = feeder.input_volts
            world = FedWorld(feeder)

        def output_changed(line: int, high: bool) -> None:
            if line == setup.relay.line:
                relay_changed(high)
            elif setup.heartbeat is not None and line == setup.heartbeat.line:
                beaten()

        factory.output_changed = output_changed
        if setup.converter is not None:
            part = parameters.converter
            peer = SpiPeer(setup.converter, part, seed, volts, now_ns, virtual_clock)
            factory.spi_peer = peer.exchange
        analog = open_analog(setup, factory, now_ns, opened)
        if analog is not None:
            description["converter"] = told(setup, analog)
        _set_loops(setup, parameters.wiring, factory)
        loops, heartbeat = open_slow_lines(setup, factory, opened)
        coil = RelayCoil(setup.relay.line, factory)
        opened.callback(coil.close)
        return SimulatedHardware(
            coil=coil, edges=edges, gauge=gauge, analog=analog, loops=loops, heartbeat=heartbeat,
            world=world, source=SIMULATED, description=description, plant=plant,
            opened=opened.pop_all(),
        )  # fmt: skip


def _gauge_on_pty(setup: Setup, opened: contextlib.ExitStack) -> tuple[Gauge, int, str]:
    """A gauge on a pseudo-terminal; returns it, the far end's descriptor, and the port's name.

    The feeder closes the far end.
    """
    wanted = setup.gauge
    if wanted is None:
        raise ValueError("no gauge in the setup")
    far_fd, near_fd = os.openpty()
    # Held open to the end: the number of a free pseudo-terminal goes to the next terminal on this
    # machine, and a link that looks for its lost port must not find that one.
    opened.callback(os.close, near_fd)
    try:
        tty.setraw(near_fd)  # a terminal would echo and translate
        os.set_blocking(far_fd, False)
        port = os.ttyname(near_fd)
        gauge = open_gauge(wanted, port)
    except BaseException:
        os.close(far_fd)
        raise
    opened.callback(gauge.close)
    return gauge, far_fd, port


def _set_loops(setup: Setup, wiring: WiringPart, factory: SimulatedFactory) -> None:
    """Stop and cover are closed unless the wiring says otherwise, and the person at the simulated
    rig holds the confirm button down."""
    tables = {
        "stop_input": setup.stop_input,
        "cover_input": setup.cover_input,
        "confirm_input": setup.confirm_input,
    }
    for name, wired in tables.items():
        if wired is not None:
            pin = factory.pin(wired.line)
            pin.function = "input"
            pin.pull = "floating" if wired.pull == "external" else wired.pull
            closed = name not in wiring.opened or name in wiring.bridged
            if closed == (wired.pull == "down"):
                pin.drive_high()
            else:
                pin.drive_low()
