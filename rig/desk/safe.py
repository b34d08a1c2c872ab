# SPDX-License-Identifier: MIT
"""`rig safe`: command the coil off from any state, without a valid setup.

Ask the owner of the line first; kill an owner that does not answer and take its line.
"""

from __future__ import annotations

import contextlib
import socket
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rig.core import coil_heat, messages, state_file
from rig.core.clock import boot_id
from rig.core.errors import HardwareError, RefusedError, RigError
from rig.core.records import NOT_CONFIRMED_OFF, OFF_STATES, RELEASE_NOT_SEEN, Trip
from rig.core.state_file import RigState
from rig.desk import guard

NOT_BEGUN = "not begun"
ASK_S = 1.5
"""A stopped bench records for another half second before it reports the end."""


@dataclass(frozen=True)
class Made:
    """What was done for one rig, in words, and what is known of its coil."""

    rig: str
    off: str
    words: str


def make_safe(path: Path, rig: RigState | None = None) -> Made | None:
    """Command off the coil of the rig with this state file; None if nothing is known of it.

    `rig`, made from a setup, replaces a state file that is missing or damaged; a bench that listens
    beside such a file is stopped in any case. Raises RefusedError for a damaged file without `rig`,
    HardwareError if the line could not be taken or, on a simulated rig, its process does not end.
    """
    damaged: RefusedError | None = None
    try:
        state = state_file.read(path)
    except RefusedError as error:
        state, damaged = None, error
    if state is None or state.owner is None:  # no file names the bench; it may be running anyway
        off = _ask(str(path.with_suffix(".sock")))
        if off in OFF_STATES:
            return Made(path.stem, off, "its program, which no state file names, commanded it off")
        if off == NOT_BEGUN:
            _wait(lambda: state_file.held(path))
    state = state or rig
    if state is None:
        if damaged is not None:
            raise damaged
        return None
    words, lost, ended = "no program held the line", "", True
    owner = state.owner
    if owner is not None and not owner.alive() and owner.boot_id == boot_id():
        lost = f"The bench (process {owner.pid}) ended without releasing its line"
    if owner is not None and owner.alive():
        off = _ask(owner.socket)
        if off in OFF_STATES:
            return Made(state.rig, off, f"its program (process {owner.pid}) commanded the coil off")
        if off == NOT_BEGUN:
            _wait(owner.alive)
            words = f"its program (process {owner.pid}) had not begun, and ended"
        else:
            words = f"its program (process {owner.pid}) did not answer and was ended"
            lost = f"The bench (process {owner.pid}) did not answer `rig safe` and was killed"
        ended = guard.kill(owner)
    try:
        if not ended and state.backend != "board":  # its relay drops out only with the process
            raise HardwareError("its process was killed and does not end")
        if state.backend != "board":
            _wait(lambda: state_file.held(path))  # other threads may outlive the first briefly
        if state.backend != "board" and state_file.held(path):
            raise HardwareError("a program that no state file names holds it and does not answer")
        off = guard.drive_off(state)
    except HardwareError as error:
        if lost:  # if that fails: the coil's own message comes first
            _latch(path, state, f"{lost}. {NOT_CONFIRMED_OFF}: its line was not taken ({error})")
        raise
    if lost:
        before = state.trip.rule if state.trip is not None else ""
        failed = _latch(path, state, f"{lost}; `rig safe` took its line. Coil: {off}")
        if before:
            words += f"; tripped already: {before}"
        elif failed:
            words += f"; NOT latched as a trip, treat it as one: {failed}"
        else:
            words += f"; latched as a trip: {RELEASE_NOT_SEEN}"
    with contextlib.suppress(OSError, RigError):  # off matters more
        if owner is not None:
            state_file.release(path, owner)
    if off != OFF_STATES[2]:
        coil_heat.settle(path)
    return Made(state.rig, off, words)


def _latch(path: Path, rig: RigState, what: str) -> str:
    """The first trip is kept. Returns why it could not be written, or an empty string: that changes
    nothing about the coil."""
    words = f"{what}. Find out what ended the bench before the rig is used again."
    trip = Trip(RELEASE_NOT_SEEN, None, None, "", time.monotonic_ns(), words)
    try:
        state_file.write_latch(path, trip, time.time(), rig)
    except (OSError, RigError) as error:
        return str(error).rstrip(".")
    return ""


def unknown_benches() -> list[int]:
    """Processes on this computer, of any user, that are benches and hold, or may hold, a GPIO
    chip."""
    found = []
    for folder in Path("/proc").iterdir():
        if not folder.name.isdigit():
            continue
        with contextlib.suppress(OSError):  # it has just ended
            if b"\0-m\0rig.compose\0" in (folder / "cmdline").read_bytes() and _may_hold(folder):
                found.append(int(folder.name))
    return found


def _may_hold(process: Path) -> bool:
    try:
        descriptors = list((process / "fd").iterdir())
    except PermissionError:  # another user's: unknown, so it may
        return True
    targets = []
    for descriptor in descriptors:
        with contextlib.suppress(OSError):
            targets.append(str(descriptor.readlink()))
    return any(target.startswith("/dev/gpiochip") for target in targets)


def _wait(going_on: Callable[[], bool]) -> None:
    until = time.monotonic() + ASK_S
    while going_on() and time.monotonic() < until:
        time.sleep(0.01)


def _ask(path: str) -> str | None:
    """Order a stop over the bench's socket; returns the off state it reports, NOT_BEGUN, or
    None."""
    if not path:
        return None
    end = time.monotonic() + ASK_S
    try:
        with socket.socket(socket.AF_UNIX) as sock:
            sock.settimeout(ASK_S)
            _connect(sock, path, end)
            sock.sendall(messages.order("stop", "rig safe"))
            buffer = b""
            while time.monotonic() < end:
                data = sock.recv(65_536)
                if not data:
                    return None
                *lines, buffer = (buffer + data).split(b"\n")
                for line in lines:
                    off = _ended(line)
                    if off is not None:
                        return off
    except OSError:
        return None
    return None


def _connect(sock: socket.socket, path: str, end: float) -> None:
    """Raises OSError. Retries a full queue (EAGAIN, unix(7)) until `end`."""
    while True:
        try:
            return sock.connect(path)
        except BlockingIOError:
            if time.monotonic() > end:
                raise
            time.sleep(0.01)


def _ended(line: bytes) -> str | None:
    if not line.startswith(b"{"):
        return None
    with contextlib.suppress(ValueError):
        telling = messages.read_telling(line)
        if telling["tell"] == "ended" and telling.get("off") in OFF_STATES:
            return str(telling["off"])
        if telling["tell"] == "refused":  # it was only waiting
            return NOT_BEGUN
    return None


def states(folder: Path) -> list[tuple[Path, RigState]]:
    """Every rig with a state file in `folder`. Raises RefusedError for a damaged one."""
    found = [(path, state_file.read(path)) for path in state_file.state_files(folder)]
    return [(path, state) for path, state in found if state is not None]
