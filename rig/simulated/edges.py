# SPDX-License-Identifier: MIT
"""The timed inputs of the simulated rig: the plant's edges, at the plant's own instants."""

from __future__ import annotations

import contextlib
import os
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from rig.core.errors import HardwareError
from rig.core.records import Edge
from rig.simulated.pins import SimulatedFactory

SOURCE = "plant"

_PULL = {"up": "up", "down": "down", "external": "floating"}


class SimulatedEdges:
    """EdgeSource on mock pins. `lines` maps a name to (line number, pull), `levels` to its initial
    level. With `wakes` it has a descriptor that signals edges from another thread.

    Raises HardwareError for a line the board does not have.
    """

    def __init__(
        self,
        factory: SimulatedFactory,
        lines: Mapping[str, tuple[int, str]],
        levels: Mapping[str, int],
        *,
        wakes: bool,
    ) -> None:
        self._pins: dict[str, Any] = {}
        self._lines = tuple(lines)
        self._sequence = dict.fromkeys(lines, 0)
        self._waiting: deque[Edge] = deque()
        self.catch_up: Callable[[], None] | None = None
        """Bring the plant up to the clock: a real line does not wait for a thread."""
        self._lost = ""
        self._read_fd: int | None = None
        self._write_fd: int | None = None
        for name, (number, pull) in lines.items():
            self._pins[name] = _input(factory, name, number, pull, levels[name])
        if wakes:
            self._read_fd, self._write_fd = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)

    @property
    def lines(self) -> tuple[str, ...]:
        return self._lines

    def fileno(self) -> int | None:
        """None once the edges are lost: a waiting reader would be woken for ever."""
        return None if self._lost else self._read_fd

    def arrive(self, edges: Iterable[tuple[str, int, int]]) -> None:
        """The plant's edges, (line, level, t_ns) in order. May come from another thread."""
        some = False
        for line, level, t_ns in edges:
            pin = self._pins[line]
            if pin.state == level:
                continue
            if level:
                pin.drive_high()
            else:
                pin.drive_low()
            self._sequence[line] += 1
            self._waiting.append(Edge(line, level, t_ns, self._sequence[line], SOURCE))
            some = True
        if some:
            self._wake()

    def fail(self, why: str) -> None:
        """The plant stopped; from now on no reading here is valid."""
        self._lost = self._lost or why
        self._wake()

    def _wake(self) -> None:
        if self._write_fd is not None:
            with contextlib.suppress(BlockingIOError):  # full: the reader has reason enough to wake
                os.write(self._write_fd, b"\0")

    def read(self) -> list[Edge]:
        """All edges that have arrived, oldest first. Raises HardwareError once the plant failed."""
        if self._lost:
            raise HardwareError(self._lost)
        if self._read_fd is not None:
            with contextlib.suppress(BlockingIOError):
                os.read(self._read_fd, 4096)
        waiting, edges = self._waiting, []
        while waiting:
            edges.append(waiting.popleft())
        return edges

    def level(self, line: str) -> int:
        """The electrical level now. Raises HardwareError once the plant failed."""
        if self.catch_up is not None and not self._lost:
            self.catch_up()
        if self._lost:
            raise HardwareError(self._lost)
        return int(self._pins[line].state)

    def close(self) -> None:
        """Idempotent."""
        self._lost = self._lost or "The simulated lines are closed."
        for fd in (self._read_fd, self._write_fd):
            if fd is not None:
                os.close(fd)
        self._read_fd = self._write_fd = None


def _input(factory: SimulatedFactory, name: str, number: int, pull: str, level: int) -> Any:
    try:
        pin = factory.pin(number)
        pin.function = "input"
        pin.pull = _PULL[pull]
    except Exception as error:
        raise HardwareError(
            f"Line {number} ({name}) cannot be an input with pull {pull} on the simulated board: "
            f"{error}. Choose another line in the setup."
        ) from error
    if level:
        pin.drive_high()
    else:
        pin.drive_low()
    return pin
