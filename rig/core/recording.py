# SPDX-License-Identifier: MIT
"""A recording as compact arrays, built record by record, for analysis and export."""

from __future__ import annotations

import itertools
import math
from array import array
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.core.records import (
    GOOD,
    Block,
    Command,
    Condition,
    Edge,
    End,
    Level,
    Record,
    Sample,
    Step,
    Trip,
    decode_lines,
)

Int64 = NDArray[np.int64]
Int8 = NDArray[np.int8]
Float = NDArray[np.float64]
Bool = NDArray[np.bool_]


CAPTURE_OF = {
    "capture of a simulated run": "simulated",
    "capture of a run on an emulated board": "emulated board",
}
"""Kinds of condition in a capture whose file says what it was exported from."""


STAMP_MS = {"board": 0.05, "simulated": 0.05, "emulated board": 0.5}
"""Half width of a kernel time stamp: how late the interrupt may be served."""


@dataclass(frozen=True)
class EdgeSeries:
    """Edges of one line, in order of arrival: `t_ns` (n,) int64, electrical `level` (n,) 0/1,
    `sequence` (n,) int64 (0 if the source does not count). `half_ns` (n,): how far each edge may
    lie from its instant; None in a recording as made."""

    t_ns: Int64
    level: Int8
    sequence: Int64
    half_ns: Int64 | None = None


@dataclass(frozen=True)
class LevelSeries:
    """Polled electrical levels of one line: `t_ns` (n,) int64, `level` (n,) 0/1."""

    t_ns: Int64
    level: Int8


@dataclass(frozen=True)
class SampleSeries:
    """Readings of one channel in its unit: `t_ns` (n,) int64, `value` (n,) float64, NaN if there is
    no value, `good` (n,) bool: whether to believe it."""

    t_ns: Int64
    value: Float
    good: Bool

    def of_good(self) -> tuple[Int64, Float]:
        """Times and values of the good readings; no copies if all are good."""
        if self.good.all():
            return self.t_ns, self.value
        return self.t_ns[self.good], self.value[self.good]


@dataclass(frozen=True)
class BlockSeries:
    """How a fast channel was sampled: `codes` (n,) int64 from the converter, aligned with the
    channel's SampleSeries; `half_ns`, half of the longest transfer, is the possible time error of a
    sample; `blocks` is the number of records."""

    codes: Int64
    half_ns: int
    blocks: int


@dataclass(frozen=True)
class CommandSeries:
    """Relay commands: `t_ns`, `done_ns` (n,) int64, `on` (n,) bool, `stroke` (n,) int64; `half_ns`
    as in EdgeSeries."""

    t_ns: Int64
    done_ns: Int64
    on: Bool
    stroke: Int64
    half_ns: Int64 | None = None


@dataclass(frozen=True)
class Recording:
    """Everything recorded in one run. Times are absolute monotonic nanoseconds; `t0_ns` is the
    first. `switch_closed_level` is the electrical level of a closed switch contact,
    `readback_live_level` that of the read-back while coil current can flow."""

    source: str
    t0_ns: int
    commands: CommandSeries
    edges: dict[str, EdgeSeries]
    levels: dict[str, LevelSeries]
    samples: dict[str, SampleSeries]
    conditions: list[Condition]
    steps: list[Step]
    trips: list[Trip]
    end: End | None
    switch_closed_level: int = 1
    readback_live_level: int = 1
    fast: dict[str, BlockSeries] = field(default_factory=dict)
    """The channels of `samples` that came from the converter in blocks."""

    @property
    def shown_source(self) -> str:
        """The source to show on everything: what a capture was exported from, if its file says so,
        so that a simulated run never turns into a measurement on the way."""
        kinds = (condition.kind for condition in self.conditions)
        return next((CAPTURE_OF[kind] for kind in kinds if kind in CAPTURE_OF), self.source)

    def start_level(self, line: str) -> int | None:
        """The electrical level at which `line` started: polled before its first edge, else the
        opposite of the level after that edge; None if the line left no record."""
        edges, levels = self.edges.get(line), self.levels.get(line)
        has_edges = edges is not None and len(edges.t_ns) > 0
        if levels is not None and len(levels.t_ns):
            polled_first = edges is None or not has_edges or levels.t_ns[0] <= edges.t_ns[0]
            if polled_first:
                return int(levels.level[0])
        return 1 - int(edges.level[0]) if edges is not None and has_edges else None


_KEPT: dict[type, tuple[str, str]] = {
    Edge: ("E", "qbq"), Level: ("L", "qb"), Sample: ("S", "qdb"), Command: ("C", "qqbq"),
}  # fmt: skip
"""By record type: the first letter of its columns, and the type codes of the arrays for its
fields."""
_DTYPES: dict[str, Any] = {"q": np.int64, "b": np.int8, "d": np.float64}


@dataclass
class RecordingBuilder:
    """Collect records in flat arrays (about 17 bytes an edge), then build a Recording."""

    source: str
    switch_closed_level: int = 1
    readback_live_level: int = 1
    _columns: dict[str, tuple[array[Any], ...]] = field(default_factory=dict)
    _conditions: list[Condition] = field(default_factory=list)
    _steps: list[Step] = field(default_factory=list)
    _trips: list[Trip] = field(default_factory=list)
    _end: End | None = None
    _fast: dict[str, tuple[array[Any], list[int]]] = field(default_factory=dict)

    def _column(self, name: str, codes: str) -> tuple[array[Any], ...]:
        columns = self._columns.get(name)
        if columns is None:
            columns = self._columns[name] = tuple(array(code) for code in codes)
        return columns

    def add(self, record: Record) -> None:
        """Append one record."""
        match record:
            case Edge(line, level, t_ns, sequence, _):
                values: tuple[float, ...] = (t_ns, level, sequence)
                columns = self._column("E" + line, _KEPT[Edge][1])
            case Level(line, level, t_ns):
                values, columns = (t_ns, level), self._column("L" + line, _KEPT[Level][1])
            case Sample(channel, value, t_ns, quality):
                number = math.nan if value is None else value
                values = (t_ns, number, quality == GOOD)
                columns = self._column("S" + channel, _KEPT[Sample][1])
            case Block():
                self._add_block(record)
                return
            case Command(on, t_ns, done_ns, stroke):
                values, columns = (t_ns, done_ns, on, stroke), self._column("C", _KEPT[Command][1])
            case Condition():
                self._conditions.append(record)
                return
            case Step():
                self._steps.append(record)
                return
            case Trip():
                self._trips.append(record)
                return
            case End():
                self._end = record
                return
        for column, item in zip(columns, values, strict=True):
            column.append(item)

    def extend(self, kind: type[Record], of: str, *fields: NDArray[Any]) -> None:
        """Append many records of one kind: `of` is the line or channel (empty for commands),
        `fields` are arrays in the order that `add` uses."""
        if not len(fields[0]):
            return
        letter, codes = _KEPT[kind]
        for column, items in zip(self._column(letter + of, codes), fields, strict=True):
            column.frombytes(items.astype(_DTYPES[column.typecode]).tobytes())

    def _add_block(self, block: Block) -> None:
        """Store the readings of a fast channel with those that came one at a time."""
        t, value, good = self._column("S" + block.channel, "qdb")
        codes, seen = self._fast.setdefault(block.channel, (array("q"), [0, 0]))
        t.extend(itertools.accumulate(block.steps_ns, initial=block.t_ns))
        value.extend(block.offset + block.scale * code for code in block.codes)
        codes.extend(block.codes)
        ends = [run[0] for run in block.runs[1:]] + [len(block.codes)]
        for (first, quality), end in zip(block.runs, ends, strict=True):
            good.extend([quality == GOOD] * (end - first))
        seen[:] = max(seen[0], block.half_ns), seen[1] + 1

    def add_all(self, records: Iterable[Record]) -> RecordingBuilder:
        for record in records:
            self.add(record)
        return self

    def add_lines(self, text: bytes) -> RecordingBuilder:
        """Append the records of newline-separated text (records.encode_lines)."""
        return self.add_all(decode_lines(text))

    def build(self) -> Recording:
        """Build the recording so far. May be called again after more records."""
        got: dict[str, dict[str, tuple[NDArray[Any], ...]]] = {"E": {}, "L": {}, "S": {}, "C": {}}
        for name, columns in self._columns.items():
            got[name[0]][name[1:]] = tuple(
                np.array(column, dtype=_DTYPES[column.typecode]) for column in columns
            )
        empty = tuple(np.zeros(0, _DTYPES[code]) for code in "qqbq")
        c_t, c_done, c_on, c_stroke = got["C"].get("", empty)
        return Recording(
            source=self.source,
            t0_ns=self._first_ns(),
            commands=CommandSeries(c_t, c_done, c_on.astype(np.bool_), c_stroke),
            edges={line: EdgeSeries(*arrays) for line, arrays in got["E"].items()},
            levels={line: LevelSeries(*arrays) for line, arrays in got["L"].items()},
            samples={
                channel: SampleSeries(t, value, good.astype(np.bool_))
                for channel, (t, value, good) in got["S"].items()
            },
            conditions=list(self._conditions),
            steps=list(self._steps),
            trips=list(self._trips),
            end=self._end,
            switch_closed_level=self.switch_closed_level,
            readback_live_level=self.readback_live_level,
            fast={
                channel: BlockSeries(np.array(codes, dtype=np.int64), *seen)
                for channel, (codes, seen) in self._fast.items()
            },
        )

    def _first_ns(self) -> int:
        firsts = [columns[0][0] for columns in self._columns.values() if len(columns[0])]
        firsts += [step.t_ns for step in self._steps[:1]]
        firsts += [condition.t_ns for condition in self._conditions[:1]]
        return int(min(firsts, default=0))
