# SPDX-License-Identifier: MIT
"""The states of the bench and the only moves between them.

| state | the coil | leaves it by |
|---|---|---|
| off | commanded off, hardware not checked | preflight passed -> ready; trip -> tripped |
| ready | commanded off, preflight passed | a person arms -> armed; trip -> tripped |
| armed | commanded off, may start | start -> running; expiry or disarm -> ready; trip -> tripped |
| running | as the sheet says | end of the sheet or stop -> off; trip -> tripped |
| tripped | commanded off, latched | a person clears (another process) -> off |
| internal fault | commanded off | restart of the bench |
"""

from __future__ import annotations

from enum import StrEnum

from rig.core.errors import RefusedError

ARMED_FOR_S = 120.0
"""Arming expires: a rig left armed has been forgotten."""


class State(StrEnum):
    """See the table above."""

    OFF = "off"
    READY = "ready"
    ARMED = "armed"
    RUNNING = "running"
    TRIPPED = "tripped"
    FAULT = "internal fault"


_MOVES: dict[State, frozenset[State]] = {
    State.OFF: frozenset({State.READY, State.TRIPPED, State.FAULT}),
    State.READY: frozenset({State.ARMED, State.OFF, State.TRIPPED, State.FAULT}),
    State.ARMED: frozenset({State.RUNNING, State.READY, State.OFF, State.TRIPPED, State.FAULT}),
    State.RUNNING: frozenset({State.OFF, State.TRIPPED, State.FAULT}),
    State.TRIPPED: frozenset({State.OFF, State.FAULT}),
    State.FAULT: frozenset(),
}


class StateMachine:
    """Holds the state and refuses every move not in the table."""

    def __init__(self) -> None:
        self.state = State.OFF
        self.armed_until_ns = 0

    def move(self, to: State) -> None:
        """Raises RefusedError for a move not in the table."""
        if to not in _MOVES[self.state]:
            raise RefusedError(
                f"The bench is {self.state} and cannot become {to} from there.",
                id_="refusal.wrong-state",
            )
        self.state = to

    def arm(self, now_ns: int) -> None:
        self.move(State.ARMED)
        self.armed_until_ns = now_ns + int(ARMED_FOR_S * 1e9)

    def expire(self, now_ns: int) -> bool:
        """Return to ready once arming has expired; True if it did."""
        if self.state is State.ARMED and now_ns > self.armed_until_ns:
            self.move(State.READY)
            return True
        return False
