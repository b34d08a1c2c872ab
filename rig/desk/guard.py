# SPDX-License-Identifier: MIT
"""The guard: a bench that is dead or silent is killed, its line taken and driven off.

On a Raspberry Pi a process that dies can leave its output driven, so killing it is not enough.
`rig safe` uses the same few lines.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import time
from typing import TYPE_CHECKING, Any, NamedTuple

from rig.config.setup.model import Setup
from rig.core.errors import FileProblems, HardwareError
from rig.core.records import DEAD_LOOKS, NOT_CONFIRMED_OFF, OFF_STATES
from rig.core.state_file import Owner, RigState
from rig.physics.feed import confirmed_off

if TYPE_CHECKING:
    from rig.io.gpio import HeldLine, LineTaker

KILL_PATIENCE_S = 2.0
_HELD: list[Any] = []
"""Lines taken, held low until this process ends: given back, a pull-up could raise them again."""


class Taken(NamedTuple):
    """What the guard did. `off` is one of OFF_STATES, None where the line could not be taken."""

    off: str | None
    words: str


class Guard:
    """Takes the line of one rig from its bench.

    `prepare` does beforehand what a small board needs long for, so that between a dead bench and
    a line driven low stands little more than the kernel's own clearing up.
    """

    def __init__(self, rig: RigState) -> None:
        self._rig = rig
        self._taker: LineTaker | None = None

    def prepare(self) -> None:
        """Load, find and open what taking the line needs. A chip that is not there is no fault
        yet: the bench says so, and `take_over` looks again."""
        if self._rig.backend == "board":
            with contextlib.suppress(HardwareError):
                self._taker = _taker(self._rig)

    def take_over(self, bench: subprocess.Popen[bytes]) -> Taken:
        """Kill the bench and drive its line off. Looks at no disk, and waits for the process to
        be gone only after the line is low."""
        bench.kill()
        try:
            off = drive_off(self._rig, self._taker)
        except HardwareError as error:
            return Taken(
                None,
                f"{NOT_CONFIRMED_OFF}: its line could not be taken ({error}). Open the mushroom "
                "stop or pull the fuse now.",
            )
        finally:
            bench.wait()
        return Taken(off, f"Coil: {off}.")

    def close(self) -> None:
        """Let go of the chip; a line that was taken stays held until the process ends."""
        if self._taker is not None:
            self._taker.close()
            self._taker = None


def kill(owner: Owner, patience_s: float = KILL_PATIENCE_S) -> bool:
    """SIGKILL the owner and wait until it is gone; True when it is."""
    if not owner.alive():
        return True
    with contextlib.suppress(ProcessLookupError):
        os.kill(owner.pid, signal.SIGKILL)
    until = time.monotonic() + patience_s
    while owner.alive() and time.monotonic() < until:
        time.sleep(0.002)
    return not owner.alive()


def drive_off(state: RigState, taker: LineTaker | None = None) -> str:
    """Take the relay line and drive it low; returns one of OFF_STATES.

    A simulated relay exists only inside its process and falls with it. The plan is looked at only
    afterwards, for the read-back: a damaged plan must not keep the coil on. `taker` is one made
    ready before; where its chip fails, the chip is looked for anew. Raises HardwareError where
    the line could not be taken.
    """
    if state.backend != "board":
        return OFF_STATES[1] if _setup(state) is None else OFF_STATES[0]
    held = _take(state, taker)
    _HELD.append(held)
    if not held.low:
        raise HardwareError(
            f'relay line {state.line} of chip "{state.chip}" was taken but does not read low'
        )
    setup = _setup(state)
    if setup is None or setup.readback is None:
        return OFF_STATES[1]
    from rig.io import gpio

    until = time.monotonic() + setup.limits.readback_delay_s
    dead = 0
    while True:
        try:
            chip_path = gpio.find_chip(state.chip)
            level = gpio.read_level(chip_path, setup.readback.line, setup.readback.pull)
        except HardwareError:  # the line is off; only the look at the read-back failed
            return OFF_STATES[1]
        dead = dead + 1 if level != setup.coil_live_level else 0
        if dead >= DEAD_LOOKS:
            return confirmed_off(setup.coil.feed_side)
        if time.monotonic() > until and not dead:
            return OFF_STATES[2]
        time.sleep(0.005)


def _take(state: RigState, taker: LineTaker | None) -> HeldLine:
    if taker is not None:
        with contextlib.suppress(HardwareError):
            return taker.take()
    fresh = _taker(state)
    try:
        return fresh.take()
    finally:
        fresh.close()


def _taker(state: RigState) -> LineTaker:
    from rig.io import gpio

    return gpio.LineTaker(gpio.find_chip(state.chip), state.line)


def _setup(state: RigState) -> Setup | None:
    """The setup of the state's plan; None where there is none that can be read, or where it has
    no read-back to look at."""
    from rig.config.files.resolved import setup_from_plan

    try:
        setup = setup_from_plan(state.plan)
    except FileProblems:
        return None
    return setup if setup.readback is not None else None
