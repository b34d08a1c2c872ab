# SPDX-License-Identifier: MIT
"""Recordings with known truth, written edge by edge. Times in milliseconds unless named _ns."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from setups import GAUGE, board

from rig.config.setup.model import Setup
from rig.config.sheet.model import KINDS, Sheet
from rig.core import records as rec
from rig.core.recording import Recording, RecordingBuilder

MS = 1_000_000


def ns(ms: float) -> int:
    return round(ms * MS)


class Train:
    """Collects records; `closed_on` says that a closed contact means on."""

    def __init__(
        self, source: str = "board", *, closed_level: int = 0, live_level: int = 1,
        closed_on: bool = True, readback: bool = True, start: float = 0.0, rest_on: bool = False,
    ) -> None:  # fmt: skip
        self.source, self.closed_level, self.live_level = source, closed_level, live_level
        self.on_level = closed_level if closed_on else 1 - closed_level
        self.readback = readback
        self._records: list[rec.Record] = []
        self._sequence = {rec.SWITCH: 0, rec.READBACK: 0}
        self.level(rec.SWITCH, self.electrical(rec.SWITCH, rest_on), start)
        if readback:
            self.level(rec.READBACK, 1 - live_level, start)

    def electrical(self, line: str, on: bool) -> int:
        level = self.on_level if line == rec.SWITCH else self.live_level
        return level if on else 1 - level

    def level(self, line: str, level: int, at: float) -> None:
        self._records.append(rec.Level(line, level, ns(at)))

    def edges(self, line: str, times: Iterable[float], *, first_on: bool) -> None:
        on = first_on
        for at in times:
            self.edge(line, on, at)
            on = not on

    def edge(self, line: str, on: bool, at: float, *, skip: int = 0) -> None:
        self._sequence[line] += 1 + skip
        self._records.append(
            rec.Edge(line, self.electrical(line, on), ns(at), self._sequence[line], "kernel")
        )

    def command(self, on: bool, at: float, number: int) -> None:
        self._records.append(rec.Command(on, ns(at), ns(at), number))

    def stroke(
        self, number: int, on: float, off: float, *, on_edges: Iterable[float] = (),
        off_edges: Iterable[float] = (), live: float | None = None, dead: float | None = None,
    ) -> None:  # fmt: skip
        """One stroke; `live`, `dead` and the edges are after their own command."""
        self.command(True, on, number)
        if live is not None:
            self.edge(rec.READBACK, True, on + live)
        self.edges(rec.SWITCH, [on + at for at in on_edges], first_on=True)
        self.command(False, off, number)
        if dead is not None:
            self.edge(rec.READBACK, False, off + dead)
        self.edges(rec.SWITCH, [off + at for at in off_edges], first_on=False)

    def sample(self, at: float, kpa: float | None, quality: str = rec.GOOD) -> None:
        self._records.append(rec.Sample("pressure", kpa, ns(at), quality))

    def add(self, *records: rec.Condition | rec.Trip | rec.Step | rec.Sample) -> None:
        self._records.extend(records)

    def end(self, at: float, reason: str = "finished") -> None:
        self._records.append(rec.End(reason, "confirmed off", ns(at)))

    def build(self) -> Recording:
        builder = RecordingBuilder(self.source, self.closed_level, self.live_level)
        return builder.add_all(self._records).build()


def setup(
    contact: str = "normally open", *, readback: bool = True, gauge: dict[str, Any] | None = None,
    timing: dict[str, Any] | None = None, **relay: str,
) -> Setup:  # fmt: skip
    """A board setup: switch pulled up (closed reads low), supply side, gauge on request."""
    of_gauge = None if gauge is None else GAUGE | {
        "port": "/dev/ttyUSB0", "pattern": "{pressure}", "unit": "kPa", "accuracy": "2 kPa",
        "expected_range": ["0 kPa", "500 kPa"],
    } | gauge  # fmt: skip
    return board(
        relay=relay, switch={"contact": contact}, readback={"line": 23} if readback else None,
        timing=timing, gauge=of_gauge,
    )  # fmt: skip


def sheet(kind: str = "strokes", accept: list[dict[str, Any]] | None = None, **keys: Any) -> Sheet:
    data: dict[str, Any] = {"kind": kind, "accept": accept or []}
    if kind == "strokes":
        data |= {"strokes": 1, "on_time": "500 ms", "rest": "500 ms"}
    return KINDS[kind].model_validate(data | keys)
