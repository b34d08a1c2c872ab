# SPDX-License-Identifier: MIT
"""Reads a CSV made elsewhere as a recording, or refuses it with every problem found.

One row per change or sample; a blank cell gives no new value, a digital value holds until the
next row that gives one. webui/help/captures.md describes the file for those who make one.
"""

from __future__ import annotations

import csv
import os
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from rig.captures import cells
from rig.captures.cells import CellError
from rig.captures.columns import (
    CHANNELS,
    COIL,
    COMMAND,
    DIGITAL,
    KNOWN,
    PRESSURE_GOOD,
    PRESSURES,
    SAYS,
    SWITCH_COLUMN,
    TIMES,
)
from rig.config.gauge_units import factor_kpa
from rig.config.setup import Setup
from rig.config.wording import listed, nearest, plain
from rig.core.errors import FileProblems, Problem
from rig.core.recording import Recording, RecordingBuilder
from rig.core.records import GOOD, READBACK, SWITCH, Command, Condition, Edge, Level, Sample, Step

MAX_BYTES = 256 << 20
MAX_SHOWN = 20
"""Problems told one by one; the rest are counted."""
CELL_SHOWN = 40
COMMAND_ON_AT_START = "command already on in the first row"


class _Problems:
    """Collects problems; keeps the first ones and counts the others."""

    def __init__(self, file: str) -> None:
        self.file, self.count = file, 0
        self.found: list[Problem] = []

    def add(self, key: str, value: str, what: str, remedy: str) -> None:
        self.count += 1
        if len(self.found) < MAX_SHOWN:
            shown = plain(value if len(value) <= CELL_SHOWN else value[:CELL_SHOWN] + "...")
            self.found.append(Problem(self.file, key, shown, what, remedy))

    def raise_any(self) -> None:
        if not self.count:
            return
        more = self.count - len(self.found)
        if more:
            self.found.append(
                Problem(self.file, "", "", f"{more} more problems like these", "mend these first")
            )
        raise FileProblems(self.found)


def read_csv(path: str | os.PathLike[str], setup: Setup) -> Recording:
    """The capture at `path` as a recording of source "capture".

    `setup` gives the electrical sense of switch and read-back; times are as in the file. Raises
    FileProblems with file, row and column, value and remedy of every problem.
    """
    problems = _Problems(os.fspath(path))
    try:
        _check_file(Path(path), problems)
        with Path(path).open(encoding="utf-8-sig", newline="") as file:
            return _read(file, setup, problems)
    except OSError as error:
        words = "there is no such file" if isinstance(error, FileNotFoundError) else str(error)
        problems.add("", "", words, "give the path of a CSV file that can be read")
    except UnicodeDecodeError as error:
        problems.add(
            "", "", f"not UTF-8 text (byte {error.start} of a block)", "save it as CSV, UTF-8"
        )
    except csv.Error as error:
        problems.add("", "", f"not a CSV file: {error}", "save it as CSV with commas, UTF-8")
    problems.raise_any()
    raise AssertionError("a problem was found and none was kept")


def _check_file(path: Path, problems: _Problems) -> None:
    if path.is_dir():
        problems.add("", "", "this is a directory", "give the path of a CSV file")
    elif path.is_file() and path.stat().st_size > MAX_BYTES:
        problems.add(
            "", "", f"larger than {MAX_BYTES >> 20} MiB",
            "cut it into parts, or write a row only where something changes",
        )  # fmt: skip
    else:
        with path.open("rb") as file:
            head = file.read(65_536)
        if b"\0" in head:
            problems.add(
                "", "", "not a text file (it holds zero bytes)",
                "save it as CSV with commas, UTF-8; not as a workbook or UTF-16",
            )  # fmt: skip
    problems.raise_any()


def _rows(file: IO[str], says: set[str]) -> Iterator[tuple[int, list[str]]]:
    """Rows that are neither blank nor a comment (#), with the number of their last line; puts
    into `says` what the comments say of where the file was exported from."""
    reader = csv.reader(file, skipinitialspace=True)
    for row in reader:
        if row and row[0].startswith("#"):
            said = row[0].lstrip("# ")
            says.update(kind for word, kind in SAYS.items() if said.startswith(word))
        elif any(row):
            yield reader.line_num, row


def _read(file: IO[str], setup: Setup, problems: _Problems) -> Recording:
    says: set[str] = set()
    rows = _rows(file, says)
    first = next(rows, None)
    if first is None:
        problems.add("", "", "the file is empty", "write a line with the names of the columns")
        problems.raise_any()
    names = [name.strip().casefold() for name in (first[1] if first else [])]
    _check_header(names, first[0] if first else 1, problems)
    problems.raise_any()
    reader = _Reader(names, setup, problems)
    for line, row in rows:
        if len(row) > len(names) and not any(cell.strip() for cell in row[len(names) :]):
            row = row[: len(names)]
        if len(row) != len(names):
            problems.add(
                f"row {line}", "", f"{len(row)} cells where there are {len(names)} columns",
                "give every row one cell a column, blank for no new value",
            )  # fmt: skip
        else:
            reader.take(line, row)
    if reader.rows == 0 and not problems.count:
        problems.add("", "", "there is no row below the header", "write at least one row of values")
    problems.raise_any()
    return reader.recording(sorted(says))


def _check_header(names: list[str], line: int, problems: _Problems) -> None:
    at = f"row {line}"
    if len(names) == 1 and any(mark in names[0] for mark in ";\t|"):
        problems.add(
            at, names[0], "one column only: the columns are not separated by commas",
            "save it as CSV separated by commas, with points as decimal signs",
        )  # fmt: skip
        return
    for name in dict.fromkeys(names):
        if name not in KNOWN:
            near = nearest(name, KNOWN)
            hint = f"write {near}" if near else f"the columns are {listed(KNOWN, 'and')}"
            problems.add(f"{at}, column {plain(name)[:CELL_SHOWN]}", "", "unknown column",
                         f"{hint}, or leave the column out")  # fmt: skip
        elif names.count(name) > 1:
            problems.add(f"{at}, column {name}", "", "this column stands twice", "leave one out")
    times = [name for name in TIMES if name in names]
    if len(times) != 1:
        what = "both time_s and time_ms" if times else "no column with the time"
        problems.add(at, "", what, "give either time_s or time_ms")
    for name, holds in ((COMMAND, "1 = coil commanded on"), (SWITCH_COLUMN, "1 = contact closed")):
        if name not in names:
            problems.add(at, "", f"no column {name}", f"add the column {name} ({holds})")
    pressures = [name for name in PRESSURES if name in names]
    if len(pressures) > 1:
        problems.add(at, "", f"{listed(pressures, 'and')} together", "give the pressure once")


class _Reader:
    """Turns rows into records. `rows` counts those with a usable time."""

    def __init__(self, names: list[str], setup: Setup, problems: _Problems) -> None:
        self._problems = problems
        live = setup.coil_live_level if setup.readback is not None else 1
        self.builder = RecordingBuilder("capture", setup.switch_closed_level, live)
        self._levels = {SWITCH_COLUMN: (SWITCH, setup.switch_closed_level), COIL: (READBACK, live)}
        self._time = next((n, TIMES[name]) for n, name in enumerate(names) if name in TIMES)
        self._time_name = names[self._time[0]]
        self._digital = [(n, name) for n, name in enumerate(names) if name in DIGITAL]
        self._analog = [
            (n, name, CHANNELS.get(name, "pressure"), factor_kpa(PRESSURES.get(name, "kPa")))
            for n, name in enumerate(names)
            if name in PRESSURES or name in CHANNELS
        ]
        self._held: dict[str, int] = {}
        self._edges = {SWITCH: 0, READBACK: 0}
        self._strokes = 0
        self._last_ns: int | None = None
        self.rows = 0

    def take(self, line: int, row: list[str]) -> None:
        """Take one row, in the order of the file."""
        place, digits = self._time
        try:
            t_ns = cells.time_ns(row[place].strip(), digits)
        except CellError as error:
            self._refuse(line, self._time_name, row[place], error.what, error.remedy)
            return
        if self._last_ns is not None and t_ns < self._last_ns:
            self._refuse(
                line, self._time_name, row[place], "earlier than the row before it",
                "put the rows in order of time",
            )  # fmt: skip
        self._last_ns = t_ns
        self.rows += 1
        if self.rows == 1:
            self.builder.add(Step("first row", 0, t_ns))
        good = True
        for place, name in self._digital:
            text = row[place].strip()
            if not text:
                continue
            try:
                value = cells.bit(text)
            except CellError as error:
                self._refuse(line, name, text, error.what, error.remedy)
                continue
            if name == PRESSURE_GOOD:
                good = value == 1
            elif name == COMMAND:
                self._command(value, t_ns)
            else:
                self._line(name, value, t_ns)
        for place, name, channel, factor in self._analog:
            self._sample(line, name, channel, row[place].strip(), factor, t_ns, good)

    def recording(self, says: list[str]) -> Recording:
        """What was read; it is known until the last row. `says` become conditions."""
        if self._last_ns is not None:
            for kind in says:
                self.builder.add(Condition(kind, self._last_ns, "a comment in the file says so"))
            self.builder.add(Step("last row", 0, self._last_ns))
        return self.builder.build()

    def _command(self, on: int, t_ns: int) -> None:
        if on == self._held.get(COMMAND, 0):
            self._held[COMMAND] = on
            return
        self._held[COMMAND] = on
        self._strokes += on
        if on and self.rows == 1:
            self.builder.add(Condition(COMMAND_ON_AT_START, t_ns, "its instant is not known"))
        self.builder.add(Command(bool(on), t_ns, t_ns, self._strokes))

    def _line(self, name: str, value: int, t_ns: int) -> None:
        line, level_of_one = self._levels[name]
        level = level_of_one if value else 1 - level_of_one
        held = self._held.get(name)
        self._held[name] = value
        if held is None:
            self.builder.add(Level(line, level, t_ns))
        elif held != value:
            self._edges[line] += 1
            self.builder.add(Edge(line, level, t_ns, self._edges[line], "capture"))

    def _sample(
        self, line: int, name: str, channel: str, text: str, factor: float, t_ns: int, good: bool
    ) -> None:
        believed = good or channel != "pressure"
        if not text:
            if not believed:
                self.builder.add(Sample(channel, None, t_ns, "bad"))
            return
        try:
            value = cells.value(text) * (factor if channel == "pressure" else 1.0)
        except CellError as error:
            self._refuse(line, name, text, error.what, error.remedy)
            return
        self.builder.add(Sample(channel, value, t_ns, GOOD if believed else "bad"))

    def _refuse(self, line: int, column: str, value: str, what: str, remedy: str) -> None:
        self._problems.add(f"row {line}, column {column}", value.strip(), what, remedy)
