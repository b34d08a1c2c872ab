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
from typing import Any, NamedTuple

from rig.config.setup import Setup
from rig.core.errors import FileProblems, HardwareError
from rig.core.records import OFF_STATES
from rig.core.state_file import Owner, RigState

KILL_PATIENCE_S = 2.0
_HELD: list[Any] = []
"""Lines taken, held low until this process ends: given back, a pull-up could raise them again."""


class Taken(NamedTuple):
    """What the guard did. `off` is one of OFF_STATES, None where the line could not be taken."""

    off: str | None
    words: str


def take_over(bench: subprocess.Popen[bytes], rig: RigState) -> Taken:
    """Kill the bench and drive its line off. Looks at no disk: `rig` is what the desk knows."""
    bench.kill()
    bench.wait()
    try:
        off = drive_off(rig)
    except HardwareError as error:
        return Taken(
            None,
            f"COIL NOT CONFIRMED OFF: its line could not be taken ({error}). Open the mushroom "
            "stop or pull the fuse now.",
        )
    return Taken(off, f"Coil: {off}.")


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


def drive_off(state: RigState) -> str:
    """Take the relay line and drive it low; returns one of OFF_STATES.

    A simulated relay exists only inside its process and falls with it. The plan is looked at only
    afterwards, for the read-back: a damaged plan must not keep the coil on. Raises HardwareError
    where the line could not be taken.
    """
    if state.backend != "board":
        return OFF_STATES[1] if _setup(state) is None else OFF_STATES[0]
    from rig.io import gpio

    chip_path = gpio.find_chip(state.chip)
    held = gpio.hold_line_off(chip_path, state.line)
    _HELD.append(held)
    if not held.low:
        raise HardwareError(f"line {state.line} of {chip_path} was taken but does not read low")
    setup = _setup(state)
    if setup is None or setup.readback is None:
        return OFF_STATES[1]
    until = time.monotonic() + setup.limits.readback_delay_s
    while True:
        try:
            level = gpio.read_level(chip_path, setup.readback.line, setup.readback.pull)
        except HardwareError:  # the line is off; only the look at the read-back failed
            return OFF_STATES[1]
        if level != setup.coil_live_level:
            return OFF_STATES[0]
        if time.monotonic() > until:
            return OFF_STATES[2]
        time.sleep(0.005)


def _setup(state: RigState) -> Setup | None:
    """The setup of the state's plan; None where there is none that can be read, or where it has
    no read-back to look at."""
    from rig.config.resolved import setup_from_plan

    try:
        setup = setup_from_plan(state.plan)
    except FileProblems:
        return None
    return setup if setup.readback is not None else None
