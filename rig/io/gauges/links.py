# SPDX-License-Identifier: MIT
"""The byte source of a gauge: bytes with their arrival times, from a port or from memory."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from rig.core.errors import HardwareError

PENDING_MOST = 65_536


class LinkLost(HardwareError):
    """The link was lost at `t_ns`. Raised once; afterwards the link tries to reconnect."""

    id = "refusal.gauge-lost"

    def __init__(self, detail: str, t_ns: int) -> None:
        self.detail, self.t_ns = detail, t_ns
        super().__init__(detail)


class ByteLink(Protocol):
    """Bytes as they arrive."""

    opened: int
    """How many times the link was opened; bytes read after it rose belong to the new opening."""

    def read(self) -> Sequence[tuple[int, bytes]]:
        """What arrived since the last call as (t_ns, bytes), without blocking. Raises LinkLost."""

    @property
    def up(self) -> bool:
        """Whether it is connected now."""

    def write(self, data: bytes) -> bool:
        """Send without blocking; False if not all of it could be sent. A lost link sends
        nothing."""

    def discard(self) -> None:
        """Discard bytes that arrived but were not read."""

    def fileno(self) -> int | None:
        """A descriptor to wait on; None if there is none, and while the link is lost."""

    def close(self) -> None: ...


class MemoryLink:
    """A link fed with bytes and their instants: for virtual time and tests."""

    def __init__(self) -> None:
        self.opened = 1
        self._waiting: list[tuple[int, bytes]] = []
        self._size = 0
        self._up = True
        self._lost: LinkLost | None = None
        self.sent: Callable[[bytes], None] = lambda _: None
        """Called with what is written."""

    @property
    def up(self) -> bool:
        return self._up

    def write(self, data: bytes) -> bool:
        if self._up:
            self.sent(data)
        return self._up

    def discard(self) -> None:
        self._waiting, self._size = [], 0

    def feed(self, t_ns: int, data: bytes) -> None:
        """Add bytes whose last one arrived at `t_ns`. On a lost link they are lost.

        Limited like a port's own buffer: what does not fit is dropped.
        """
        if self._up and self._size + len(data) <= PENDING_MOST:
            self._waiting.append((t_ns, data))
            self._size += len(data)

    def lose(self, t_ns: int, detail: str) -> None:
        """As if the gauge were unplugged."""
        if self._up:
            self._up, self._lost = False, LinkLost(detail, t_ns)

    def restore(self) -> None:
        """As if it were plugged in again."""
        if not self._up:
            self._up = True
            self.opened += 1

    def read(self) -> list[tuple[int, bytes]]:
        if self._waiting:
            waiting, self._waiting, self._size = self._waiting, [], 0
            return waiting
        if self._lost is not None:
            lost, self._lost = self._lost, None
            raise lost
        return []

    def fileno(self) -> int | None:
        return None

    def close(self) -> None:
        self._up = False
        self._waiting = []
