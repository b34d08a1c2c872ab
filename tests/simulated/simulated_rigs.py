# SPDX-License-Identifier: MIT
"""Setups of invented simulated rigs, and a way to drive a bare plant through strokes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from setups import BOARD, GAUGE, merged

from rig.config.setup.model import Setup
from rig.simulated.plant import Plant

MS = 1_000_000
NS = 1_000_000_000

Edge = tuple[str, int, int]

BASE = merged(BOARD, {
    "backend": "simulated",
    "coil": {"resistance": "20 ohm"},
    "switch": {"pull": "up"},
    "readback": {"line": 23},
    "gauge": GAUGE | {"pattern": "P={pressure} {unit}", "unit": "kPa"},
    "limits": {"pressure": "500 kPa"},
})  # fmt: skip


def setup(**more: Any) -> Setup:
    """A setup of the simulated rig; keyword arguments are laid over the usual one."""
    return Setup.model_validate(merged(BASE, more))


def plant(start_ns: int = 0, seed: int | None = None, **more: Any) -> Plant:
    """The plant of such a setup."""
    chosen = setup(**more)
    assert chosen.simulated is not None
    return Plant(chosen.simulated, chosen, seed, start_ns)


@dataclass
class Seen:
    """What came out of a plant."""

    edges: list[Edge] = field(default_factory=list)
    lines: list[tuple[int, bytes]] = field(default_factory=list)

    def of(self, line: str, from_ns: int = 0, until_ns: int = 1 << 62) -> list[tuple[int, int]]:
        """(t_ns, level) of one line."""
        return [(t, v) for name, v, t in self.edges if name == line and from_ns <= t < until_ns]


def collect(source: Plant, seen: Seen) -> None:
    """Take what the plant has."""
    seen.edges += source.take_edges()
    seen.lines += source.take_bytes()


def go(source: Plant, seen: Seen, until_ns: int) -> None:
    """Let time pass until `until_ns`, event by event."""
    while source.run_until(until_ns) < until_ns:
        collect(source, seen)
    collect(source, seen)


@dataclass
class Stroke:
    """One stroke: commands, and the switch's edges of either half, (t_ns, level)."""

    on_ns: int
    off_ns: int
    up: list[tuple[int, int]]
    down: list[tuple[int, int]]
    live_ns: int | None
    dead_ns: int | None
    pressure_kpa: float
    """True pressure at the end of the on time."""

    @property
    def response_ms(self) -> float:
        """First read-back edge to the switch's last edge."""
        assert self.live_ns is not None
        return (self.up[-1][0] - self.live_ns) / MS

    @property
    def release_ms(self) -> float:
        """The same on release."""
        assert self.dead_ns is not None
        return (self.down[-1][0] - self.dead_ns) / MS


def strokes(
    source: Plant, seen: Seen, start_ns: int, count: int, on_ms: int = 500, rest_ms: int = 500
) -> Iterator[Stroke]:
    """Drive `count` strokes from `start_ns` on; each is given when it is over."""
    t = start_ns
    go(source, seen, t)
    for _ in range(count):
        on_ns, off_ns = t, t + on_ms * MS
        end_ns = off_ns + rest_ms * MS
        source.set_relay(True, on_ns)
        go(source, seen, off_ns - 1)
        pressure_kpa = source.pressure_kpa(off_ns - 1)
        source.set_relay(False, off_ns)
        go(source, seen, end_ns - 1)
        live, dead = seen.of("readback", on_ns, off_ns), seen.of("readback", off_ns, end_ns)
        yield Stroke(
            on_ns, off_ns, seen.of("switch", on_ns, off_ns), seen.of("switch", off_ns, end_ns),
            live[0][0] if live else None, dead[0][0] if dead else None, pressure_kpa,
        )  # fmt: skip
        t = end_ns


def run(count: int = 6, start_ns: int = 0, **more: Any) -> tuple[Plant, Seen, list[Stroke]]:
    """A plant driven through `count` strokes after two seconds of rest."""
    source, seen = plant(start_ns, **more), Seen()
    done = list(strokes(source, seen, start_ns + 2 * NS, count))
    return source, seen, done
