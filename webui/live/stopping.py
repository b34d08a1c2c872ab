# SPDX-License-Identifier: MIT
"""Stop: coil off for anyone who asks, and what is known of the coil afterwards.

The order goes straight to the bench's own socket, bypassing everything else the page does.
"""

from __future__ import annotations

import contextlib
import json
import select
import socket
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

from rig.bench.interlock.coil_and_program_rules import READBACK
from rig.core import messages, state_file
from rig.core.clock import boot_id
from rig.core.errors import RigError
from rig.core.records import (
    BENCH_LOST,
    DEAD_LOOKS,
    NOT_CONFIRMED_OFF,
    OFF_STATES,
    READBACK_DOUBTED_BY,
)
from rig.core.state_file import RigState
from rig.desk.safe import unknown_benches

ANSWER_S = 0.9
"""A person pressing the button is answered within a second."""
CONFIRMED, COMMANDED, LIVE, CONFIRMED_GROUND = OFF_STATES
ALL_CONFIRMED = (CONFIRMED, CONFIRMED_GROUND)
NOT_CONFIRMED = "NOT CONFIRMED"
NOTHING = "nothing to stop"
NO_EMERGENCY_STOP = "This is not an emergency stop: that is the mushroom stop in the coil's supply."


class Stopped(NamedTuple):
    """`off`: one of OFF_STATES, NOT_CONFIRMED, or NOTHING if no bench runs and none was left in
    doubt."""

    off: str
    words: str

    @property
    def sure(self) -> bool:
        return self.off in (*ALL_CONFIRMED, NOTHING)


def running(folder: Path) -> list[RigState]:
    """Rigs whose bench is running. Raises RefusedError for an unreadable folder."""
    found = []
    for path in state_file.state_files(folder):
        with contextlib.suppress(RigError):  # a damaged one names no owner to ask
            state = state_file.read(path)
            if state is not None and state.owner is not None and state.owner.alive():
                found.append(state)
    return found


def _not_known(folder: Path, asked: set[str]) -> str | None:
    """Why the coil of a rig that was not asked may be on: a dead process may leave its output
    driven."""
    for path in state_file.state_files(folder):
        try:
            state = state_file.read(path)
        except RigError:
            return f"The state file {path.name} cannot be read, so no bench could be asked."
        if state is None or state.backend != "board" or state.rig in asked:
            continue
        owner, trip = state.owner, state.trip
        guarded = trip is not None and trip.rule == BENCH_LOST
        if trip is not None and (
            trip.rule == READBACK or NOT_CONFIRMED_OFF in trip.message or LIVE in trip.message
        ):
            return f"Latched: {trip.message}"
        dead = owner is not None and owner.boot_id == boot_id() and not owner.alive()
        if dead and not guarded:  # besides whatever else latched: its line was never released
            return "The last bench ended without releasing its line, and nobody guarded it since."
    return None


def stop(folder: Path, why: str) -> Stopped:
    """Order every running bench of this computer to stop; at most ANSWER_S."""
    try:
        states = running(folder)
    except RigError as error:
        return Stopped(NOT_CONFIRMED, f"{error} Use the mushroom stop now, or pull the fuse.")
    until = time.monotonic() + ANSWER_S
    sockets = [state.owner.socket for state in states if state.owner is not None]
    sockets += _unnamed(folder, sockets)
    try:
        with ThreadPoolExecutor(max(1, len(sockets))) as pool:  # a silent one delays no other
            offs = list(pool.map(lambda path: _stop_one(path, why, until), sockets))
    except RuntimeError:  # no thread available: order them one after the other
        offs = [_stop_one(path, why, until) for path in sockets]
    doubt = _not_known(folder, {state.rig for state in states})
    if doubt is None and not sockets and unknown_benches():
        doubt = "A bench runs on this computer that this page does not know."
    if doubt is not None:
        return Stopped(NOT_CONFIRMED, f"{doubt} Use the mushroom stop now, or pull the fuse.")
    if not sockets:
        return Stopped(
            NOTHING, "No bench that this page knows of is running on the rig's computer."
        )
    if all(off == CONFIRMED for off in offs):
        return Stopped(CONFIRMED, "The coil's load side is dead.")
    if all(off in ALL_CONFIRMED for off in offs):
        return Stopped(CONFIRMED_GROUND, "The read-back reads dead.")
    if all(off in (*ALL_CONFIRMED, COMMANDED) for off in offs):
        return Stopped(COMMANDED, "The relay was commanded off; no read-back shows the load side.")
    return Stopped(NOT_CONFIRMED, "Use the mushroom stop now, or pull the fuse.")


def _unnamed(folder: Path, named: list[str]) -> list[str]:
    """Sockets on which a bench listens that no state file names (any more)."""
    found = []
    for path in sorted(str(path) for path in folder.glob("*.sock")):
        if path not in named:
            with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX) as sock:
                sock.settimeout(ANSWER_S / 4)
                sock.connect(path)  # refused where a killed bench left it behind
                found.append(path)
    return found


def _stop_one(path: str, why: str, until: float) -> str:
    """What is known of the coil after the order; NOT_CONFIRMED if the bench did not say."""
    with contextlib.suppress(OSError, ValueError), socket.socket(socket.AF_UNIX) as sock:
        sock.settimeout(max(0.05, until - time.monotonic()))
        sock.connect(path)
        sock.sendall(messages.order("stop", why))
        ordered_ns = time.monotonic_ns()
        buffer, looks = b"", 0
        while (left := until - time.monotonic()) > 0:
            if not select.select([sock], [], [], left)[0]:
                break
            data = sock.recv(65_536)
            if not data:
                break
            *lines, buffer = (buffer + data).split(b"\n")
            for line in lines:
                off = _said(line, ordered_ns)
                if off is not None:
                    looks += 1
                elif b'"status"' in line[:40]:
                    looks = 0
                if off is not None and (looks >= DEAD_LOOKS or b'"ended"' in line[:40]):
                    return off
    return NOT_CONFIRMED


def _said(line: bytes, ordered_ns: int) -> str | None:
    """What this line says of the coil, if it was sent after the order."""
    if not line.startswith(b"{"):
        return None
    told = json.loads(line)
    if told.get("tell") == "ended" and told.get("off") in (*ALL_CONFIRMED, COMMANDED):
        return str(told["off"])
    if told.get("tell") != "status" or int(told.get("t_ns", 0)) <= ordered_ns:
        return None
    if told.get("commanded_on") is not False or told.get("coil_live") is True:
        return None
    if told.get("coil_live") is not False or told.get("tripped") in READBACK_DOUBTED_BY:
        return COMMANDED
    reach = told.get("confirmed_off")
    return str(reach) if reach in (CONFIRMED_GROUND, COMMANDED) else CONFIRMED
