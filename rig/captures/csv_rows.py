# SPDX-License-Identifier: MIT
"""Convert blocks of rows into records: a column for every signal, or a row for every value."""

from __future__ import annotations

import abc
from collections.abc import Sequence
from functools import partial
from typing import NamedTuple

import numpy as np

from rig.captures import cell_columns
from rig.captures.cell_columns import NO_READING, Cells, Wrong
from rig.captures.cells import CellError
from rig.captures.columns import DIGITAL, NEEDED, PRESSURE_GOOD, SIGNALS
from rig.captures.csv_head import Header, channel_of, twice_pressure, unknown_remedy
from rig.captures.problems import Problems
from rig.captures.taking import Taking
from rig.config.setup.model import Setup
from rig.core.recording import Bool, Float, Int8, Int64


class Problem(NamedTuple):
    """A problem in a row; sorted by `line`, with those of one line in their original order."""

    line: int
    key: str
    value: str
    what: str
    remedy: str


class Rows(NamedTuple):
    """A block of rows of one run: `line` (n,) numbers, `t_ns` (n,), and the stripped cells of each
    column."""

    line: Sequence[int]
    t_ns: Int64
    cells: Sequence[Cells]


class RunReader(abc.ABC):
    """Convert the rows of one run into records."""

    def __init__(self, head: Header, setup: Setup, problems: Problems) -> None:
        self.taking = Taking(setup)
        self.head, self.problems = head, problems
        self.found: list[Problem] = []

    @abc.abstractmethod
    def take(self, rows: Rows) -> None:
        """Add the next rows, in file order."""

    def finish(self, run: str) -> None:  # noqa: B027 - the wide form knows all from its header
        """End of rows; `run` names the run in a message, empty where there is only one."""

    def wrong(self, lines: Sequence[int], column: str) -> Wrong:
        """Record problems with cells of a column."""
        return partial(self._wrong, lines, column)

    def _wrong(self, lines: Sequence[int], column: str, n: int, text: str, why: CellError) -> None:
        key = f"row {lines[n]}, column {column}"
        self.found.append(Problem(lines[n], key, text, why.what, why.remedy))

    def take_times(self, rows: Rows, digital: dict[str, Int8]) -> None:
        """The rows with their values of 0 and 1; a row earlier than the one above it is a
        problem."""
        several = "; several runs in one file need a column run" if self.head.run is None else ""
        place, of_run = self.head.time, "" if self.head.run is None else " of this run"
        self.found[:0] = [
            Problem(
                rows.line[n],
                f"row {rows.line[n]}, column {self.head.time_name}",
                "" if place is None else cell_columns.text_of(rows.cells[place][n]),
                f"earlier than the row before it{of_run}",
                f"put the rows in order of time{several}",
            )
            for n in np.flatnonzero(self.taking.rows(rows.t_ns, digital)).tolist()
        ]

    def reading(self, name: str, t_ns: Int64, value: Float, there: Bool, good: Bool) -> None:
        """Readings of a signal where one is `there`; `good`: the value of `pressure_good` for
        each."""
        channel, factor = channel_of(name)
        if channel != "pressure":
            good = np.ones(len(t_ns), np.bool_)
        keep = there | ~good
        believed = good & ~np.isnan(value)
        self.taking.samples(channel, t_ns[keep], value[keep] * factor, believed[keep])


class Wide(RunReader):
    """A column for every signal."""

    def take(self, rows: Rows) -> None:
        good = np.ones(len(rows.t_ns), np.bool_)
        digital = {}
        for name, place in self.head.wide.items():
            if name not in DIGITAL:
                continue
            column = self.head.columns.get(name)
            shown = name if column is None else column.name
            found = cell_columns.bits(rows.cells[place], column, self.wrong(rows.line, shown))
            if name == PRESSURE_GOOD:
                good = found != 0
            else:
                digital[name] = found
        self.take_times(rows, digital)
        for name, place in self.head.wide.items():
            if name in DIGITAL:
                continue
            column = self.head.columns.get(name)
            shown = name if column is None else column.name
            value, there = cell_columns.values(
                rows.cells[place],
                self.wrong(rows.line, shown),
                NO_READING if column is not None else frozenset(),
            )
            scaled = value if column is None else value * column.scale
            self.reading(name, rows.t_ns, scaled, there, good)


class Long(RunReader):
    """A row for every value. `pressure_good` applies to the pressures of the same time."""

    def __init__(self, head: Header, setup: Setup, problems: Problems) -> None:
        super().__init__(head, setup, problems)
        self._seen: set[str] = set()
        self._unknown: set[str] = set()
        self._pressures: list[tuple[int, float, str]] = []
        self._good: bool | None = None
        self._now_ns: int | None = None

    def take(self, rows: Rows) -> None:
        signal, value = ([*map(str, rows.cells[n])] for n in self.head.long or (0, 0))
        names = [name.casefold() for name in signal]
        places: dict[str, list[int]] = {}
        for n, name in enumerate(names):
            places.setdefault(name, []).append(n)
        numbers = np.full(len(names), np.nan)
        for name, of_name in places.items():
            if not self._is_known(name, of_name, rows, value):
                continue
            self._seen.add(name)
            texts = [value[n] for n in of_name]
            wrong = self.wrong([rows.line[n] for n in of_name], "value")
            if name in DIGITAL:
                found = cell_columns.bits(texts, None, wrong).astype(np.float64)
                numbers[of_name] = np.where(found < 0, np.nan, found)
            else:
                numbers[of_name] = cell_columns.values(texts, wrong)[0]
        digital: dict[str, Int8] = {}
        for name in DIGITAL:
            if name != PRESSURE_GOOD:
                digital[name] = np.full(len(names), -1, np.int8)
                there = [n for n in places.get(name, ()) if not np.isnan(numbers[n])]
                digital[name][there] = numbers[there].astype(np.int8)
        self.take_times(rows, digital)
        for name, of_name in places.items():
            if name in SIGNALS and name not in DIGITAL and channel_of(name)[0] != "pressure":
                value_of, there_of = numbers[of_name], ~np.isnan(numbers[of_name])
                good = np.ones(len(of_name), np.bool_)
                self.reading(name, rows.t_ns[of_name], value_of, there_of, good)
        self._take_pressures(names, rows.t_ns, numbers)

    def _is_known(self, name: str, of_name: list[int], rows: Rows, value: list[str]) -> bool:
        if name in SIGNALS:
            return True
        if not name:
            self.found += [
                Problem(
                    rows.line[n], f"row {rows.line[n]}, column signal", "",
                    "a value and no signal", "name the signal in every row that has a value",
                )
                for n in of_name if value[n]
            ]  # fmt: skip
        elif name not in self._unknown:
            self._unknown.add(name)
            line = rows.line[of_name[0]]
            self.found.append(
                Problem(
                    line,
                    f"row {line}, column signal",
                    name,
                    "unknown signal",
                    unknown_remedy(name, SIGNALS, "signal"),
                )
            )
        return False

    def _take_pressures(self, names: list[str], t_ns: Int64, numbers: Float) -> None:
        for n, name in enumerate(names):
            if name != PRESSURE_GOOD and not name.startswith("pressure_"):
                continue
            if int(t_ns[n]) != self._now_ns:
                self._give()
                self._now_ns = int(t_ns[n])
            if np.isnan(numbers[n]):
                continue
            if name == PRESSURE_GOOD:
                self._good = bool(numbers[n])
            else:
                self._pressures.append((int(t_ns[n]), float(numbers[n]), name))

    def _give(self) -> None:
        """Emit the pressures of one time, with their validity."""
        good = self._good is not False
        for t_ns, value, name in self._pressures:
            self.taking.sample("pressure", value * channel_of(name)[1], t_ns, good)
        if not good and not self._pressures and self._now_ns is not None:
            self.taking.sample("pressure", None, self._now_ns, believed=False)
        self._pressures.clear()
        self._good = None

    def finish(self, run: str) -> None:
        self._give()
        of_run = f" in {run}" if run else ""
        for name, holds in NEEDED.items():
            if name not in self._seen:
                self.problems.add(
                    "", "", f"no signal {name}{of_run}", f"add rows of the signal {name} ({holds})"
                )
        pressures = twice_pressure(self._seen)
        if pressures:
            self.problems.add("", "", f"{pressures}{of_run}", "give the pressure once")
