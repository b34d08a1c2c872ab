# SPDX-License-Identifier: MIT
"""Turn values of a capture into the records of a run: shared by every reader."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Mapping

import numpy as np

from rig.captures.columns import COIL, COMMAND, SWITCH_COLUMN
from rig.captures.sampled_rows import Given, SampledRows, Seen
from rig.config.setup.model import Setup
from rig.core.recording import Bool, Float, Int8, Int64, Recording, RecordingBuilder
from rig.core.records import (
    GOOD,
    READBACK,
    RESOLUTION,
    SAMPLED,
    SWITCH,
    Command,
    Condition,
    Edge,
    Level,
    Sample,
    Step,
)

COMMAND_ON_AT_START = "command already on in the first row"
BLOCK_ROWS = 20_000
"""Rows processed at once."""
BITS = (COMMAND, COIL, SWITCH_COLUMN)


class Taking:
    """Take the values of one run in time order, and build its recording.

    `setup` gives the electrical sense of switch and read-back. A digital value that repeats the one
    held gives no record, but it was a sample: where a capture has a row for every sample, the last
    one before each change is kept as a Level.
    """

    def __init__(self, setup: Setup) -> None:
        live = setup.coil_live_level if setup.readback is not None else 1
        self._builder = RecordingBuilder("capture", setup.switch_closed_level, live)
        self._levels = {SWITCH_COLUMN: (SWITCH, setup.switch_closed_level), COIL: (READBACK, live)}
        self._held: dict[str, int] = {}
        self._edges = {SWITCH: 0, READBACK: 0}
        self._before: dict[str, tuple[array[int], array[int]]] = {}
        self._rows_seen = SampledRows()
        self._strokes = 0
        self._first_ns: int | None = None
        self.last_ns: int | None = None
        self._rows: array[int] = array("q")
        self._given = {name: (array("q"), array("b")) for name in BITS}

    def time(self, t_ns: int) -> bool:
        """Set the instant (ns) of the values that follow; False where it is before the last one."""
        in_order = self.last_ns is None or t_ns >= self.last_ns
        if t_ns != self.last_ns and len(self._rows) >= BLOCK_ROWS:
            self._work(len(self._rows))
        self._begin(t_ns)
        self.last_ns = t_ns
        self._rows.append(t_ns)
        return in_order

    def digital(self, name: str, value: int) -> None:
        """Set `command`, `coil` or `switch` to 0 or 1 from the present instant on."""
        rows, values = self._given[name]
        rows.append(len(self._rows) - 1)
        values.append(value)

    def rows(self, t_ns: Int64, digital: Mapping[str, Int8]) -> Bool:
        """Rows at `t_ns` (n,) with the values of `digital`, each (n,), below 0 where a row gives
        none. Returns True (n,) where a row is earlier than the last one."""
        before = np.append(t_ns[0] if self.last_ns is None else self.last_ns, t_ns[:-1])
        offset = len(self._rows)
        self._begin(int(t_ns[0]))
        self._rows.frombytes(t_ns.tobytes())
        for name, value in digital.items():
            rows, values = self._given[name]
            there = np.flatnonzero(value >= 0)
            rows.frombytes((there + offset).astype(np.int64).tobytes())
            values.frombytes(value[there].tobytes())
        self.last_ns = int(t_ns[-1])
        # rows of one time belong together: hold the last ones for the next block
        other = np.flatnonzero(np.frombuffer(self._rows, np.int64) != self.last_ns)
        if len(other):
            self._work(int(other[-1]) + 1)
        return np.asarray(t_ns < before)

    def _begin(self, t_ns: int) -> None:
        if self._first_ns is None:
            self._first_ns = t_ns
            self._builder.add(Step("first row", 0, t_ns))

    def _work(self, count: int) -> None:
        """Make records of the first `count` rows."""
        t_ns = np.array(self._rows[:count], np.int64)
        del self._rows[:count]
        given = {}
        for name, (rows, values) in self._given.items():
            row, value = np.array(rows, np.int64), np.array(values, np.int8)
            cut = int(np.searchsorted(row, count))
            given[name] = Given(row[:cut], value[:cut])
            rows[:] = array("q", (row[cut:] - count).tobytes())
            values[:] = array("b", value[cut:].tobytes())
        for name, seen in self._rows_seen.block(t_ns, given).items():
            times, value = t_ns[given[name].row], given[name].value
            if name == COMMAND:
                self._commands(times, value, seen)
            else:
                self._edges_of(name, times, value, seen)
            self._held[name] = int(value[-1])

    def _edges_of(self, name: str, t_ns: Int64, value: Int8, seen: Seen) -> None:
        line, level_of_one = self._levels[name]
        level = value if level_of_one else 1 - value
        if name not in self._held:
            self._builder.add(Level(line, int(level[0]), int(t_ns[0])))
        there = seen.changed
        sequence = self._edges[line] + 1 + np.arange(int(there.sum()))
        self._edges[line] += len(sequence)
        self._builder.extend(Edge, line, t_ns[there], level[there], sequence)
        self._keep(line, 1 - level[there], seen.before_ns[there])

    def _commands(self, t_ns: Int64, value: Int8, seen: Seen) -> None:
        held = self._held.get(COMMAND)
        there = value != np.append(held or 0, value[:-1])
        if held is None and there[0] and t_ns[0] == self._first_ns:
            why = "its instant is not known"
            self._builder.add(Condition(COMMAND_ON_AT_START, int(t_ns[0]), why))
        at, on = t_ns[there], value[there]
        stroke = self._strokes + np.cumsum(on, dtype=np.int64)
        self._strokes += int(on.sum())
        self._builder.extend(Command, "", at, at, on, stroke)
        self._keep(COMMAND, 1 - on, seen.before_ns[there])

    def _keep(self, line: str, level: Int8, t_ns: Int64) -> None:
        """Keep the last samples before changes, until it is known whether every sample has its
        row."""
        times, levels = self._before.setdefault(line, (array("q"), array("b")))
        times.frombytes(t_ns.tobytes())
        levels.frombytes(level.astype(np.int8).tobytes())

    def sample(self, channel: str, value: float | None, t_ns: int, believed: bool) -> None:
        """A reading in the channel's unit; None for one without a value."""
        self._builder.add(Sample(channel, value, t_ns, GOOD if believed else "bad"))

    def samples(self, channel: str, t_ns: Int64, value: Float, believed: Bool) -> None:
        """Many readings (n,) in the channel's unit; NaN for one without a value."""
        self._builder.extend(Sample, channel, t_ns, value, believed)

    def recording(self, says: Iterable[str], resolution_ns: int | None = None) -> Recording:
        """The recording, known until the last time. `says` become conditions.

        `resolution_ns`: the capture's time resolution, where it or a person states it.
        """
        if self.last_ns is not None:
            if self._rows:
                self._work(len(self._rows))
            for kind in sorted(says):
                self._builder.add(Condition(kind, self.last_ns, "a comment in the file says so"))
            if resolution_ns is not None:
                self._builder.add(Condition(RESOLUTION, self.last_ns, f"{resolution_ns} ns"))
            self._add_sampled(self.last_ns)
            self._builder.add(Step("last row", 0, self.last_ns))
        return self._builder.build()

    def _add_sampled(self, at_ns: int) -> None:
        found = self._rows_seen.every_ns()
        self._rows_seen = SampledRows()  # it holds a step for each row: as much as a channel
        if found is None:
            return
        every_ns, digit_ns = found
        detail = f"{digit_ns} ns is the last digit of a stamp; a row about every "
        self._builder.add(Condition(SAMPLED, at_ns, f"{detail}{every_ns / 1e6:.6g} ms"))
        for line, (times, levels) in self._before.items():
            self._builder.extend(Level, line, np.array(times), np.array(levels))
        self._before.clear()
