# SPDX-License-Identifier: MIT
"""What the bench needs from the hardware, one small protocol each.

Real and simulated rigs implement the same ports, one level above gpiozero and pyserial: replace the
backend, never the device. Nothing here blocks; the bench's only loop waits in `World.wait`, then
asks each port what has arrived.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from rig.core.records import Block, Condition, Edge, Sample


class Coil(Protocol):
    """The relay line that feeds the coil. Only the interlock holds one."""

    def on(self) -> None: ...

    def off(self) -> None:
        """Must work from any state, any number of times."""

    @property
    def commanded_on(self) -> bool: ...

    def close(self) -> None:
        """Command off, then give the line back. Idempotent."""


class EdgeSource(Protocol):
    """The timed inputs in one request: switch and, if wired, read-back."""

    @property
    def lines(self) -> tuple[str, ...]: ...

    def fileno(self) -> int | None:
        """A descriptor that becomes readable when edges wait; None if there is none."""

    def read(self) -> Sequence[Edge]:
        """All edges that have arrived, oldest first, unfiltered. Never blocks."""

    def level(self, line: str) -> int:
        """The electrical level now, from the same request. Raises HardwareError when lost."""

    def close(self) -> None: ...


class GaugePort(Protocol):
    """A gauge: everything received since the last call, as samples and conditions."""

    def fileno(self) -> int | None: ...

    def read(self) -> Sequence[Sample | Condition]:
        """Never blocks, and never raises for a wiring fault: that becomes a Condition."""

    def close(self) -> None: ...


class AnalogPort(Protocol):
    """The converter's channels. Work is done only in `sample`, in the caller's thread."""

    @property
    def due_ns(self) -> int:
        """When `sample` next has work."""

    @property
    def step_ns(self) -> int:
        """Time between two rounds of the fast channels; 0 if there are none."""

    def sample(self) -> None:
        """Run one round of what is due. Never raises for a converter fault."""

    def drain(self) -> Sequence[Block | Sample | Condition]:
        """Return everything since the last call."""


class Loop(Protocol):
    """A stop or cover input: a loop through a normally closed contact."""

    @property
    def closed(self) -> bool:
        """False if it is open, its wire is broken, or it cannot be read."""


class Heartbeat(Protocol):
    """The line that toggles only while the interlock's loop runs."""

    def beat(self) -> None:
        """Toggle it."""


class World(Protocol):
    """How time passes: the kernel's clock and select(2), or virtual time."""

    def now_ns(self) -> int: ...

    def wait(self, until_ns: int, ready: Sequence[int]) -> None:
        """Return at `until_ns`, or earlier when a descriptor in `ready` is readable.

        In virtual time, advance the plant to its next event or to `until_ns`, whichever is first.
        """

    def guide(self, instruction: str) -> None:
        """Tell the person at the supply what to do ("raise", "lower", "hold").

        On a board the desk shows it; the simulated rig's own hand follows it.
        """


class RecordSink(Protocol):
    """Where the bench sends raw records. Never blocks."""

    def put(self, line: str) -> None:
        """Take one encoded record (records.encode)."""

    @property
    def lag_s(self) -> float:
        """How far behind the last commit is, seconds."""

    @property
    def overflowed(self) -> bool: ...

    @property
    def reader_gone(self) -> bool:
        """Whether the recorder has exited."""


class Hardware(Protocol):
    """An opened rig, real or simulated. `description` names chip, driver, versions, port."""

    @property
    def coil(self) -> Coil: ...

    @property
    def edges(self) -> EdgeSource: ...

    @property
    def gauge(self) -> GaugePort | None: ...

    @property
    def analog(self) -> AnalogPort | None:
        """The converter's channels, if there is one."""

    @property
    def loops(self) -> Mapping[str, Loop]:
        """Stop, cover and confirm inputs as wired, by table name."""

    @property
    def heartbeat(self) -> Heartbeat | None: ...

    @property
    def world(self) -> World: ...

    @property
    def source(self) -> str: ...

    @property
    def description(self) -> dict[str, str]: ...

    def close(self) -> None:
        """Coil off, then close everything. Idempotent."""
