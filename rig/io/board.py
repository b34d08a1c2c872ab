# SPDX-License-Identifier: MIT
"""Open a board: relay line, timed inputs and gauge, each once; on any failure close them all."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from typing import Any

from rig.config.setup.model import Setup
from rig.core.clock import MonotonicClock
from rig.core.errors import HardwareError
from rig.core.records import ENGINE_SPEED, READBACK, SWITCH
from rig.io import chips
from rig.io.analog_opening import open_analog, told
from rig.io.edges import KernelEdges
from rig.io.gauges.open_gauge import open_gauge
from rig.io.gpio import RelayCoil, board_factory
from rig.io.opened_rig import OpenedRig
from rig.io.real_time import RealWorld
from rig.io.slow_lines import open_slow_lines

BOARD = "board"
EMULATED_BOARD = "emulated board"


@dataclass(kw_only=True)
class BoardHardware(OpenedRig):
    """An opened board (the Hardware port). `source` is "board", or "emulated board" if the chip
    belongs to the kernel's GPIO simulator."""

    edges: KernelEdges
    world: RealWorld


def open_board(setup: Setup) -> BoardHardware:
    """Open the board of a setup; nothing is energised. Raises HardwareError.

    The relay line is claimed last, low, and given back first.
    """
    with contextlib.ExitStack() as opened:
        board = board_factory(setup.chip)
        opened.callback(_close_factory, board.factory)
        description = dict(board.description)
        path = description["chip"]
        lines = {SWITCH: (setup.switch.line, setup.switch.pull)}
        if setup.readback is not None:
            lines[READBACK] = (setup.readback.line, setup.readback.pull)
        if setup.engine_speed is not None:
            lines[ENGINE_SPEED] = (setup.engine_speed.line, setup.engine_speed.pull)
        edges = KernelEdges(path, lines)
        opened.callback(edges.close)
        gauge = None
        if setup.gauge is not None:
            gauge = open_gauge(setup.gauge)
            opened.callback(gauge.close)
            description["gauge port"] = setup.gauge.port
        analog = open_analog(setup, board.factory, MonotonicClock().now_ns, opened)
        if analog is not None:
            description["converter"] = told(setup, analog)
        loops, heartbeat = open_slow_lines(setup, board.factory, opened)
        coil = RelayCoil(setup.relay.line, board.factory, path)
        opened.callback(coil.close)
        source = EMULATED_BOARD if chips.is_simulated(path) else BOARD
        return BoardHardware(
            coil=coil, edges=edges, gauge=gauge, analog=analog, loops=loops, heartbeat=heartbeat,
            world=RealWorld(), source=source, description=description, opened=opened.pop_all(),
        )  # fmt: skip


def _close_factory(factory: Any) -> None:
    try:
        factory.close()
    except Exception as error:
        raise HardwareError(f"The GPIO chip could not be given back cleanly ({error}).") from error
