# SPDX-License-Identifier: MIT
"""What the bench needs from the hardware, one small protocol each.

Real and simulated rigs stand behind the same ports, one step above gpiozero and pyserial: the
backend is replaced, never the device. Nothing here blocks; the bench's one loop waits in
`World.wait` and then asks each port what has arrived.
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
        """Commands off, then gives the line back. Idempotent."""


class EdgeSource(Protocol):
    """The timed inputs: switch and, where wired, read-back, requested once."""

    @property
    def lines(self) -> tuple[str, ...]: ...

    def fileno(self) -> int | None:
        """A descriptor that becomes readable when edges wait; None where there is none."""

    def read(self) -> Sequence[Edge]:
        """All edges that have arrived, oldest first, unfiltered. Never blocks."""

    def level(self, line: str) -> int:
        """The electrical level now, from the same request. Raises HardwareError when lost."""

    def close(self) -> None: ...


class GaugePort(Protocol):
    """A gauge: whatever arrived since the last call, as samples and conditions."""

    def fileno(self) -> int | None: ...

    def read(self) -> Sequence[Sample | Condition]:
        """Never blocks and never raises for what a wire can do: that is a Condition."""

    def close(self) -> None: ...


class AnalogPort(Protocol):
    """The converter's channels. Nothing happens in it but in `sample`, in the caller's thread."""

    @property
    def due_ns(self) -> int:
        """When `sample` next has something to do."""

    @property
    def step_ns(self) -> int:
        """Between two rounds of the fast channels; 0 where there are none."""

    def sample(self) -> None:
        """One round of what is due. Never raises for what a converter can do."""

    def drain(self) -> Sequence[Block | Sample | Condition]:
        """Everything since the last call."""


class Loop(Protocol):
    """A stop or cover input: a loop through a normally closed contact."""

    @property
    def closed(self) -> bool:
        """False while it is open, its wire is broken, or it cannot be read."""


class Heartbeat(Protocol):
    """The line that lives only while the interlock's loop does."""

    def beat(self) -> None:
        """Change its level."""


class World(Protocol):
    """How time passes: the kernel's clock and select(2), or virtual time."""

    def now_ns(self) -> int: ...

    def wait(self, until_ns: int, ready: Sequence[int]) -> None:
        """Return at `until_ns`, or sooner when a descriptor in `ready` has something to read.

        In virtual time: advance the plant to its next event or `until_ns`, whichever is first.
        """

    def guide(self, instruction: str) -> None:
        """Tell the person at the supply what to do ("raise", "lower", "hold").

        On a board the desk shows it; the simulated rig's own hand follows it.
        """


class RecordSink(Protocol):
    """Where the bench's raw records go. Never blocks."""

    def put(self, line: str) -> None:
        """Take one encoded record (records.encode)."""

    @property
    def lag_s(self) -> float:
        """How far behind the last commit is, seconds."""

    @property
    def overflowed(self) -> bool: ...

    @property
    def reader_gone(self) -> bool:
        """Whether nobody takes the records any more."""


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
        """The converter's channels, where there is one."""

    @property
    def loops(self) -> Mapping[str, Loop]:
        """Stop, cover and confirm inputs as wired, by the name of their table."""

    @property
    def heartbeat(self) -> Heartbeat | None: ...

    @property
    def world(self) -> World: ...

    @property
    def source(self) -> str: ...

    @property
    def description(self) -> dict[str, str]: ...

    def close(self) -> None:
        """Coil off, then everything closed. Idempotent."""
