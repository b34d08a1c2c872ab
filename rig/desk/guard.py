# SPDX-License-Identifier: MIT
"""The guard: kill a bench that is dead or silent, take its line and drive it off.

On a Raspberry Pi a process that dies can leave its output driven, so killing it is not enough.
`rig safe` uses the same code.
"""

from __future__ import annotations

import contextlib
import math
import os
import signal
import subprocess
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

from rig.config.setup.release import readback_of
from rig.core.errors import HardwareError
from rig.core.records import DEAD_LOOKS, NOT_CONFIRMED_OFF, OFF_STATES, readback_doubted
from rig.core.state_file import Owner, RigState
from rig.physics.feed import confirmed_off

if TYPE_CHECKING:
    from rig.io.gpio import HeldLine, LineTaker

KILL_TIMEOUT_S = 2.0
TIMEOUT_S = 1.0
"""Wait for the line of a process just killed: on an idle board it is free 10 ms later."""
WARN_WITHIN_S = 1.0
"""Deadline for warning the person, whatever the bench's process does. A process that waits in the
kernel for a hung device takes no signal, and its line stays as it is until the device lets go."""
FIRST_TRY_S = 0.5
TRY_AGAIN_S = 0.25
_HELD: list[object] = []
"""Lines taken, held low until this process ends: released, a pull-up could raise them again."""


class Taken(NamedTuple):
    """What the guard did. `off` is one of OFF_STATES, None if the line could not be taken."""

    off: str | None
    words: str


class Guard:
    """Takes the line of one rig from its bench.

    `prepare` does the slow work in advance, so that only the kernel's own cleanup, and little more,
    stands between a dead bench and a line driven low.
    """

    def __init__(self, rig: RigState) -> None:
        self._rig = rig
        self._taker: LineTaker | None = None
        self._given_up = threading.Event()
        self._insisting: threading.Thread | None = None

    def prepare(self) -> None:
        """Load, find and open what taking the line needs. A missing chip is not yet a fault: the
        bench reports it, and `take_over` looks again."""
        if self._rig.backend == "board":
            with contextlib.suppress(HardwareError):
                self._taker = _taker(self._rig)

    def take_over(self, bench: subprocess.Popen[bytes], *, doubted: bool = False) -> Taken:
        """Kill the bench and drive its line off, within WARN_WITHIN_S and without using a disk.

        If the line cannot be taken, `insist` goes on after the person was warned. `doubted`: the
        run found its read-back wrong, so it confirms nothing.
        """
        bench.kill()
        until = time.monotonic() + WARN_WITHIN_S
        try:
            if self._rig.backend != "board":  # its relay drops out with the process
                _reap(bench, FIRST_TRY_S)
            off = drive_off(self._rig, self._taker, FIRST_TRY_S, until, doubted=doubted)
        except HardwareError as error:
            return Taken(
                None,
                f"{NOT_CONFIRMED_OFF}: its line could not be taken ({error}). Open the mushroom "
                "stop or pull the fuse now.",
            )
        return Taken(off, f"Coil: {off}.")

    def insist(
        self, bench: subprocess.Popen[bytes], taken: Callable[[str], None], *, doubted: bool = False
    ) -> None:
        """Keep trying, in a thread, until the line is low; `taken` then gets its off state. If no
        thread can be started, it stays as reported: not confirmed."""

        def go_on() -> None:
            while not self._given_up.wait(TRY_AGAIN_S):
                bench.kill()
                with contextlib.suppress(HardwareError):
                    if self._rig.backend != "board":
                        _reap(bench, FIRST_TRY_S)
                    taken(drive_off(self._rig, None, FIRST_TRY_S, doubted=doubted))
                    return

        thread = threading.Thread(target=go_on, name="guard insists", daemon=True)
        with contextlib.suppress(RuntimeError):
            thread.start()
            self._insisting = thread

    @property
    def insisting(self) -> bool:
        """Whether it is still trying to take the line."""
        return self._insisting is not None and self._insisting.is_alive()

    def close(self) -> None:
        """Stop trying and release the chip. A line already taken stays held until the process
        ends."""
        self._given_up.set()
        if self._insisting is not None:
            self._insisting.join()
        if self._taker is not None:
            self._taker.close()
            self._taker = None


def _reap(bench: subprocess.Popen[bytes], within_s: float) -> None:
    """Wait for a killed process. Raises HardwareError if it does not end."""
    try:
        bench.wait(within_s)
    except subprocess.TimeoutExpired:
        raise HardwareError(f"process {bench.pid} was killed and does not end") from None


def kill(owner: Owner, timeout_s: float = KILL_TIMEOUT_S) -> bool:
    """SIGKILL the owner and wait until it has ended; True if it has."""
    if not owner.alive():
        return True
    with contextlib.suppress(ProcessLookupError):
        os.kill(owner.pid, signal.SIGKILL)
    until = time.monotonic() + timeout_s
    while owner.alive() and time.monotonic() < until:
        time.sleep(0.002)
    return not owner.alive()


def drive_off(
    state: RigState,
    taker: LineTaker | None = None,
    within_s: float = TIMEOUT_S,
    until: float = math.inf,
    *,
    doubted: bool = False,
) -> str:
    """Take the relay line and drive it low; returns one of OFF_STATES.

    Waits at most `within_s` for the line, and does not sample the read-back after `until`
    (monotonic, s). `doubted`: that read-back was found wrong, so a dead one confirms nothing.

    A simulated relay exists only inside its process and drops out with it. The plan is read only
    afterwards, for the read-back: a damaged plan must not keep the coil on. `taker` is one prepared
    in advance; if its chip fails, the chip is searched for again. Raises HardwareError if the line
    could not be taken.
    """
    if state.backend != "board":
        return OFF_STATES[1] if readback_of(state.plan) is None else OFF_STATES[0]
    held = _take(state, taker, within_s)
    _HELD.append(held)
    if not held.low:
        raise HardwareError(
            f'relay line {state.line} of chip "{state.chip}" was taken but does not read low'
        )
    readback = readback_of(state.plan)
    if readback is None:
        return OFF_STATES[1]
    from rig.io import gpio

    until = min(until, time.monotonic() + readback.delay_s)
    dead = 0
    while True:
        try:
            chip_path = gpio.find_chip(state.chip)
            level = gpio.read_level(chip_path, readback.line, readback.pull)
        except HardwareError:  # the line is off; only reading the read-back failed
            return OFF_STATES[1]
        dead = dead + 1 if level != readback.live_level else 0
        if dead >= DEAD_LOOKS:
            if doubted or state.readback_doubted or readback_doubted(state.trip):
                return OFF_STATES[1]
            return confirmed_off(readback.feed_side)
        if time.monotonic() > until and not dead:
            return OFF_STATES[2]
        time.sleep(0.005)


def _take(state: RigState, taker: LineTaker | None, within_s: float) -> HeldLine:
    until = time.monotonic() + within_s
    if taker is not None:
        with contextlib.suppress(HardwareError):
            return taker.take(within_s)
    fresh = _taker(state)
    try:
        return fresh.take(max(0.0, until - time.monotonic()))
    finally:
        fresh.close()


def _taker(state: RigState) -> LineTaker:
    from rig.io import gpio

    return gpio.LineTaker(gpio.find_chip(state.chip), state.line)
