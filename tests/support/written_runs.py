# SPDX-License-Identifier: MIT
"""Writes runs into a real run log for the tests of the page: invented, and known exactly.

Every instant is worked out from the arguments, so a test can say where an edge must lie. The
setup pulls the switch up (closed reads low) and feeds the supply side (live reads high).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from setups import BOARD, GAUGE, merged, toml

from rig.actions.analyse_run import analyse_and_save
from rig.core import records as rec
from rig.core.clock import WallTime
from rig.runlog.header import RunHeader
from rig.runlog.store import RunLog

MS = 1_000_000
START_NS = 5_000 * MS

SETUP = toml(merged(BOARD, {
    "title": "invented bench for the tests of the page",
    "backend": "simulated",
    "coil": {"supply_voltage": "13.8 V", "resistance": "14 ohm"},
    "switch": {"line": 27},
    "readback": {"line": 22},
    "gauge": GAUGE | {"expected_range": ["150 kPa", "500 kPa"]},
    "limits": {"pressure": "700 kPa"},
}))  # fmt: skip

SHEET = """\
title = "strokes for the tests of the page"
kind = "strokes"
strokes = {strokes}
on_time = "{on_ms} ms"
rest = "{rest_ms} ms"

[[accept]]
figure = "response"
of = "each"
max = "150 ms"
"""


@dataclass(frozen=True)
class Made:
    """A run to write. Times in ms; `missed` strokes get no switch edge at all."""

    strokes: int = 20
    on_ms: int = 500
    rest_ms: int = 500
    settle_ms: int = 1_000
    live_ms: float = 8.0
    response_ms: float = 80.0
    release_ms: float = 55.0
    missed: Collection[int] = ()
    bounce: bool = True
    readback: bool = True
    gauge_period_ms: float | None = 100.0
    source: str = "simulated"
    status: str = "finished"
    off: str = "confirmed off"
    trip: bool = False
    conditions: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    valve: str | None = "INVENTED-7"
    job: str | None = "J-100"
    by: str | None = "A. Tester"
    note: str = "Invented run for the tests of the page."
    synchronised: bool | None = False
    not_watched: Collection[str] = ()
    doubts: Collection[tuple[float, str, str]] = ()
    more_setup: str = ""
    wall_utc_s: float = 1_893_456_000.0

    def on_at(self, number: int) -> float:
        """Command of stroke `number`, ms after the first record."""
        return self.settle_ms + (number - 1) * (self.on_ms + self.rest_ms)

    def spread(self, number: int) -> float:
        """What this stroke differs from the others, ms."""
        return 6.0 * math.sin(number * 1.7)

    @property
    def end_ms(self) -> float:
        return self.on_at(self.strokes) + self.on_ms + self.rest_ms


def records(made: Made) -> Iterator[rec.Record]:
    """The records in order of time."""
    found: list[rec.Record] = [rec.Step("settle", 0, _ns(0)), rec.Level(rec.SWITCH, 1, _ns(0))]
    if made.readback:
        found.append(rec.Level(rec.READBACK, 0, _ns(0)))
    sequences = {rec.SWITCH: 0, rec.READBACK: 0}

    def edge(line: str, level: int, at_ms: float) -> None:
        sequences[line] += 1
        found.append(rec.Edge(line, level, _ns(at_ms), sequences[line], "plant"))

    for number in range(1, made.strokes + 1):
        on, off = made.on_at(number), made.on_at(number) + made.on_ms
        found.append(rec.Step("stroke", number, _ns(on)))
        found.append(rec.Command(True, _ns(on), _ns(on) + 20_000, number))
        found.append(rec.Command(False, _ns(off), _ns(off) + 20_000, number))
        if made.readback:
            edge(rec.READBACK, 1, on + made.live_ms)
            edge(rec.READBACK, 0, off + made.live_ms)
        if number in made.missed:
            continue
        closed = on + made.live_ms + made.response_ms + made.spread(number)
        opened = off + made.live_ms + made.release_ms + made.spread(number) / 2
        if made.bounce:
            edge(rec.SWITCH, 0, closed - 1.5)
            edge(rec.SWITCH, 1, closed - 0.9)
        edge(rec.SWITCH, 0, closed)
        edge(rec.SWITCH, 1, opened)
    if made.gauge_period_ms is not None:
        for i in range(int(made.end_ms / made.gauge_period_ms)):
            at = i * made.gauge_period_ms + 3.25
            found.append(rec.Sample("pressure", pressure(made, at), _ns(at), "good"))
    found += [rec.Condition(kind, _ns(at), detail) for at, kind, detail in made.doubts]
    if made.trip:
        words = "pressure 712.5 kPa over the limit of 700 kPa"
        found.append(rec.Trip("over-pressure", 712.5, 700.0, "kPa", _ns(made.end_ms - 5), words))
    if made.status not in ("running", "interrupted"):
        found.append(rec.End(made.status, made.off, _ns(made.end_ms)))
    return iter(sorted(found, key=lambda record: record.t_ns))


def pressure(made: Made, at_ms: float) -> float:
    """kPa at this instant: a ripple, and a dip while the coil is on."""
    since = at_ms - made.settle_ms
    period = made.on_ms + made.rest_ms
    on = since >= 0 and since % period < made.on_ms
    return 310.0 + 4.0 * math.sin(at_ms / 37.0) - (22.0 if on else 0.0)


def _ns(at_ms: float) -> int:
    return START_NS + round(at_ms * MS)


def header(made: Made) -> RunHeader:
    """What stands over the run."""
    watched = [
        {"rule": "on time", "reaction_ms": 20.0, "why": "the program's own clock"},
        {"rule": "over-pressure", "reaction_ms": 120.0, "why": "one gauge period"},
    ]
    missing = [
        {"rule": rule, "reaction_ms": None, "why": "no sensor in the setup"}
        for rule in made.not_watched
    ]
    return RunHeader(
        source=made.source,
        seed=7 if made.source == "simulated" else None,
        valve=made.valve,
        job=made.job,
        by=made.by,
        mount=1,
        note=made.note,
        conditions=made.conditions
        or {
            "oil_temperature": {"value": 92.0, "unit": "degC", "how": "typed"},
            "base_pressure": {"value": 310.0, "unit": "kPa", "how": "measured"},
        },
        setup_text=SETUP + made.more_setup,
        setup_hash="invented-setup" + (f"-{len(made.more_setup)}" if made.more_setup else ""),
        setup_name="invented.setup.toml",
        sheet_text=SHEET.format(strokes=made.strokes, on_ms=made.on_ms, rest_ms=made.rest_ms),
        sheet_hash=f"invented-sheet-{made.strokes}-{made.on_ms}-{made.rest_ms}",
        sheet_name="invented.sheet.toml",
        software="0.1.0",
        wall=WallTime(made.wall_utc_s, START_NS, "invented-boot", made.synchronised),
        hardware={"chip": "invented chip", "gauge": "invented gauge"},
        watched=watched,
        not_watched=missing,
    )


def write(path: Path, made: Made, *, analysed: bool = True, lines_a_chunk: int = 500) -> int:
    """Write the run into the log at `path` through the real RunLog; its number.

    With `analysed`, the real analysis of the stored records is saved with it.
    """
    with RunLog(path) as run_log:
        run_id = run_log.begin_run(header(made))
        todo = list(records(made))
        for i in range(0, len(todo), lines_a_chunk):
            part = todo[i : i + lines_a_chunk]
            run_log.append_chunk(run_id, len(part), rec.encode_lines(part))
        if made.status != "running":
            end = next((r for r in todo if isinstance(r, rec.End)), None)
            run_log.end_run(run_id, made.status, end)
        if analysed:
            analyse_and_save(run_log, run_id)
    return run_id
