# SPDX-License-Identifier: MIT
"""A scripted rig for bench tests, in virtual time: the test says what each wire does."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from setups import BOARD, COIL, GAUGE, make_sheet

from rig.bench.bench import Bench
from rig.bench.operator_link import Desk
from rig.config.setup.model import Setup
from rig.core import messages
from rig.core.clock import VirtualClock
from rig.core.errors import HardwareError
from rig.core.records import (
    GOOD,
    READBACK,
    SWITCH,
    Command,
    Condition,
    Edge,
    End,
    Record,
    Sample,
    Trip,
    decode,
)

MS = 1_000_000
SETUP = BOARD | {
    "backend": "simulated",
    "coil": COIL | {"fuse": "3 A", "resistance": "14 ohm"},
    "switch": BOARD["switch"] | {"pull": "up"},
    "readback": {"line": 27},
    "gauge": GAUGE | {
        "port": "none", "pattern": "{pressure}", "unit": "kPa",
        "expected_range": ["0 kPa", "500 kPa"],
    },
    "limits": {"pressure": "700 kPa", "on_time": "2 s", "gauge_stale": "500 ms"},
}  # fmt: skip


def make_setup(**changes: object) -> Setup:
    """The test setup with top-level keys replaced; a key set to None is left out."""
    data = {key: value for key, value in (SETUP | changes).items() if value is not None}
    return Setup.model_validate(_tuples(data))


def _tuples(data: object) -> object:
    if isinstance(data, dict):
        return {key: _tuples(value) for key, value in data.items()}
    return tuple(data) if isinstance(data, list) else data


class ScriptedRig:
    """Coil, edge source, gauge and world in one; also a RecordSink."""

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        self.clock = VirtualClock(10**12)
        self.coil, self.edges, self.world = self, self, self
        self.gauge = self if setup.gauge else None
        self.analog = None
        self.loops: dict[str, LoopOnly] = {}
        for name in ("stop_input", "cover_input"):
            if getattr(setup, name) is not None:
                self.loops[name] = LoopOnly()
        self.beats = 0
        self.heartbeat = self if setup.heartbeat else None
        self.source, self.description = "simulated", {"rig": "scripted"}
        self.is_on = self.closed = False
        self.log: list[tuple[str, int]] = []
        self.lines_now = {SWITCH: 1 - setup.switch_closed_level}
        if setup.readback:
            self.lines_now[READBACK] = 1 - setup.coil_live_level
        self.agenda: list[tuple[int, Callable[[], None]]] = []
        self.waiting_edges: list[Edge] = []
        self.waiting_items: list[Sample | Condition] = []
        self.sequence = dict.fromkeys(self.lines_now, 0)
        self.pressure: float | None = 200.0
        self.next_sample_ns = self.clock.now_ns() + 100 * MS
        self.follow = True  # read-back follows the relay after 5 ms
        self.answer_ms: float | None = 30  # the switch follows after this
        self.silent_edges = False
        self.records: list[Record] = []
        self.overflowed, self.lag_s, self.reader_gone = False, 0.0, False
        self.guided: list[str] = []

    # coil
    @property
    def commanded_on(self) -> bool:
        return self.is_on

    def on(self) -> None:
        self.is_on = True
        self.log.append(("on", self.clock.now_ns()))
        self._react(True)

    def off(self) -> None:
        if self.is_on:
            self._react(False)
        self.is_on = False
        self.log.append(("off", self.clock.now_ns()))

    def _react(self, on: bool) -> None:
        if self.follow and READBACK in self.lines_now:
            live = self.setup.coil_live_level
            self.after(5, lambda: self.drive(READBACK, live if on else 1 - live))
        if self.answer_ms is not None:
            closed = self.setup.switch_closed_level
            self.after(self.answer_ms, lambda: self.drive(SWITCH, closed if on else 1 - closed))

    # edges
    @property
    def lines(self) -> tuple[str, ...]:
        return tuple(self.lines_now)

    def fileno(self) -> None:
        return None

    def level(self, line: str) -> int:
        if self.closed:
            raise HardwareError("gone")
        return self.lines_now[line]

    def drive(self, line: str, level: int) -> None:
        """Put a line at a level now, with its edge unless edges are silent."""
        if self.lines_now[line] == level:
            return
        self.lines_now[line] = level
        self.sequence[line] += 1
        if not self.silent_edges:
            edge = Edge(line, level, self.clock.now_ns(), self.sequence[line], "plant")
            self.waiting_edges.append(edge)

    def read(self) -> Sequence[Edge | Sample | Condition]:  # both edge source and gauge ask here
        if self.closed:
            raise HardwareError("the request is gone")
        got: list[Edge | Sample | Condition] = [*self.waiting_items, *self.waiting_edges]
        self.waiting_items, self.waiting_edges = [], []
        return got

    # world
    def now_ns(self) -> int:
        return self.clock.now_ns()

    def after(self, ms: float, what: Callable[[], None]) -> None:
        """Do something `ms` from now."""
        self.agenda.append((self.clock.now_ns() + round(ms * MS), what))

    def wait(self, until_ns: int, _ready: Sequence[int]) -> None:
        events = [t for t, _ in self.agenda] + [self.next_sample_ns, until_ns]
        now = min(events)
        self.clock.advance_to(now)
        due = [what for t, what in self.agenda if t <= now]
        self.agenda = [(t, what) for t, what in self.agenda if t > now]
        for what in due:
            what()
        if now >= self.next_sample_ns:
            self.next_sample_ns += 100 * MS
            if self.pressure is not None:
                self.sample(self.pressure)

    def sample(self, value: float, quality: str = GOOD) -> None:
        shown = None if math.isnan(value) and quality != GOOD else value
        self.waiting_items.append(Sample("pressure", shown, self.clock.now_ns(), quality))

    def guide(self, instruction: str) -> None:
        self.guided.append(instruction)

    def beat(self) -> None:
        self.beats += 1

    # sink
    def put(self, line: str) -> None:
        self.records.append(decode(line))

    def close(self) -> None:
        self.off()


class LoopOnly:
    """A loop that the test opens."""

    def __init__(self) -> None:
        self.closed = True


class EdgesOnly:
    """The scripted rig's edges apart from its gauge."""

    def __init__(self, rig: ScriptedRig) -> None:
        self._rig = rig
        self.lines = rig.lines

    def fileno(self) -> None:
        return None

    def level(self, line: str) -> int:
        return self._rig.level(line)

    def read(self) -> list[Edge]:
        if self._rig.closed:
            raise HardwareError("the request is gone")
        got, self._rig.waiting_edges = self._rig.waiting_edges, []
        return got

    def close(self) -> None:
        return None


class BeatingDesk:
    """A desk that beats, and keeps what it is told."""

    operator_gone = False

    def __init__(self) -> None:
        self.sent: list[str] = []

    def poll(self) -> list[messages.Order]:
        return [messages.Order("beat")]

    def send(self, line: str) -> None:
        self.sent.append(line)

    def flush(self) -> None:
        return None

    def filenos(self) -> list[int]:
        return []


class GaugeOnly:
    """The scripted rig's gauge apart from its edges."""

    def __init__(self, rig: ScriptedRig) -> None:
        self._rig = rig

    def fileno(self) -> None:
        return None

    def read(self) -> list[Sample | Condition]:
        got, self._rig.waiting_items = self._rig.waiting_items, []
        return got

    def close(self) -> None:
        return None


def make_bench(desk: Desk | None = None, **changes: object) -> tuple[Bench, ScriptedRig]:
    """A bench on a scripted rig, preflight passed and armed."""
    rig = ScriptedRig(make_setup(**changes))
    rig.edges = EdgesOnly(rig)
    rig.gauge = GaugeOnly(rig) if rig.setup.gauge else None
    bench = Bench(rig.setup, rig, desk)
    found = bench.preflight()
    if not found.refused:
        bench.arm()
    return bench, rig


SHEET = {"kind": "strokes", "strokes": 5, "on_time": "300 ms", "rest": "300 ms",
         "settle_wait": "200 ms"}  # fmt: skip
NO_DUTY = {"pressure": "700 kPa", "on_time": "2 s", "gauge_stale": "500 ms", "duty": "100 %"}


def run(bench: Bench, rig: ScriptedRig, **changes: object) -> tuple[End, Trip | None]:
    end = bench.run(make_sheet(**SHEET | changes), rig)
    assert not rig.is_on, "the coil was left on"
    assert isinstance(rig.records[-1], End)
    return end, bench.interlock.trip


def last_off_before_trip_record(rig: ScriptedRig) -> bool:
    """The release stands in the record before the trip that caused it."""
    kinds = [type(r) for r in rig.records]
    first_trip = kinds.index(Trip)
    commands = [r for r in rig.records[:first_trip] if isinstance(r, Command)]
    return not commands or commands[-1].on is False
