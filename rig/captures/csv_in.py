# SPDX-License-Identifier: MIT
"""Reads a CSV made elsewhere as recordings, or refuses it with every problem found.

Wide form: one row per change or sample, a column for every signal; a blank cell gives no new
value, a digital value holds until the next row that gives one. Long form: one row per value, with
the columns `signal` and `value`. Either may hold several runs, told apart by a column `run`.
webui/help/captures.md describes the file for those who make one.
"""

from __future__ import annotations

import abc
import csv
import itertools
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import IO, NamedTuple

from rig.captures import cells
from rig.captures.cells import CellError
from rig.captures.columns import DIGITAL, NEEDED, PRESSURE_GOOD, SIGNALS
from rig.captures.comments import Comments
from rig.captures.csv_head import Header, channel_of, header_of, twice_pressure, unknown_remedy
from rig.captures.problems import Problems, cannot_be_read, look_at, shown
from rig.captures.taking import Taking
from rig.config.setup.model import Setup
from rig.core.recording import Recording

MAX_RUNS = 1000
DECIMAL_COMMA = re.compile(r"\s*[+-]?[0-9]*,[0-9]+(?:[eE][+-]?[0-9]+)?\s*")


class CapturedRun(NamedTuple):
    """One run of a capture. `name` is what the column `run` calls it; None without that column."""

    name: str | None
    recording: Recording


def read_csv(path: str | os.PathLike[str], setup: Setup) -> Recording:
    """The one run of the capture at `path` as a recording of source "capture".

    `setup` gives the electrical sense of switch and read-back; times are as in the file. Raises
    FileProblems with file, row and column, value and remedy of every problem.
    """
    runs = read_csv_runs(path, setup)
    if len(runs) > 1:
        raise Problems(path).stop(
            "", "", f"{len(runs)} runs where one is wanted", "give a file that holds one run"
        )
    return runs[0].recording


def read_csv_runs(
    path: str | os.PathLike[str], setup: Setup, resolution_ns: int | None = None
) -> list[CapturedRun]:
    """Every run of the capture at `path`, in the order of their first rows. `resolution_ns` as in
    rig.captures.read_capture.

    Raises FileProblems like `read_csv`.
    """
    problems = Problems(path)
    if Path(path).suffix == ".toml":
        raise problems.stop(
            "", "", "this is a setup or a sheet, and a capture was expected",
            "give the capture first: rig analyse CAPTURE SETUP SHEET",
        )  # fmt: skip
    try:
        look_at(Path(path), problems)
        with Path(path).open(encoding="utf-8-sig", newline="") as file:
            return _read(file, setup, problems, Comments(problems, resolution_ns))
    except OSError as error:
        raise cannot_be_read(error, problems) from error
    except UnicodeDecodeError as error:
        what = f"not UTF-8 text (byte {error.start} of a block)"
        raise problems.stop("", "", what, "save it as CSV, UTF-8") from error
    except csv.Error as error:
        what = f"not a CSV file: {error}"
        raise problems.stop("", "", what, "save it as CSV with commas, UTF-8") from error


def _rows(file: IO[str], comments: Comments) -> Iterator[tuple[int, list[str]]]:
    """Rows that are neither blank nor a comment (#), with the number of their last line;
    `comments` hears the others.

    Where the line of names is separated by semicolons so is the rest, and its numbers may have a
    decimal comma, as spreadsheets of many countries write it.
    """
    read: list[str] = []
    for text in file:
        read.append(text)
        if text.strip() and not text.startswith("#"):
            break
    semicolons = bool(read) and ";" in read[-1] and "," not in read[-1]
    lines = itertools.chain(read, file)
    reader = csv.reader(lines, delimiter=";" if semicolons else ",", skipinitialspace=True)
    for row in reader:
        if row and row[0].startswith("#"):
            comments.hear(row[0].lstrip("# "), f"row {reader.line_num}")
        elif any(row):
            yield reader.line_num, [_pointed(cell) for cell in row] if semicolons else row


def _pointed(cell: str) -> str:
    """A number with a decimal comma as one with a point."""
    return cell.replace(",", ".") if DECIMAL_COMMA.fullmatch(cell) else cell


def _read(file: IO[str], setup: Setup, problems: Problems, comments: Comments) -> list[CapturedRun]:
    rows = _rows(file, comments)
    first = next(rows, None)
    if first is None:
        raise problems.stop(
            "", "", "the file is empty", "write a line with the names of the columns"
        )
    head = header_of(first[1], first[0], problems)
    runs = _Runs(head, setup, problems)
    for line, row in rows:
        if len(row) > head.width and not any(cell.strip() for cell in row[head.width :]):
            row = row[: head.width]
        if len(row) != head.width:
            problems.add(
                f"row {line}", "", f"{len(row)} cells where there are {head.width} columns",
                "give every row one cell a column, blank for no new value",
            )  # fmt: skip
        else:
            runs.take(line, row)
    if not runs.readers and not problems.count:
        problems.add("", "", "there is no row below the header", "write at least one row of values")
    runs.finish()
    problems.raise_any()
    return [
        CapturedRun(
            None if head.run is None else name,
            reader.taking.recording(comments.kinds, comments.resolution_ns),
        )
        for name, reader in runs.readers.items()
    ]


class _Runs:
    """Gives each row to the run it belongs to."""

    def __init__(self, head: Header, setup: Setup, problems: Problems) -> None:
        self.readers: dict[str, _Reader] = {}
        self._head, self._setup, self._problems = head, setup, problems

    def take(self, line: int, row: list[str]) -> None:
        """Take one row, in the order of the file."""
        head = self._head
        name = "" if head.run is None else row[head.run].strip()
        if head.run is not None and not name:
            self._problems.add(f"row {line}, column run", "", "no run", "name the run in every row")
            return
        place = head.time
        try:
            t_ns = cells.time_ns(row[place].strip(), head.digits)
        except CellError as error:
            key = f"row {line}, column {head.time_name}"
            self._problems.add(key, row[place].strip(), error.what, error.remedy)
            return
        reader = self.readers.get(name)
        if reader is None:
            if len(self.readers) >= MAX_RUNS:
                what = f"more than {MAX_RUNS} runs"
                raise self._problems.stop(f"row {line}, column run", name, what, "cut the file")
            kind = _Wide if head.long is None else _Long
            reader = self.readers[name] = kind(head, self._setup, self._problems)
        if not reader.taking.time(t_ns):
            several = "; several runs in one file need a column run" if head.run is None else ""
            self._problems.add(
                f"row {line}, column {head.time_name}", row[place].strip(),
                "earlier than the row before it" + ("" if head.run is None else " of this run"),
                "put the rows in order of time" + several,
            )  # fmt: skip
        reader.take(line, row, t_ns)

    def finish(self) -> None:
        """What can only be told once every row was seen."""
        for name, reader in self.readers.items():
            reader.finish(f"run {shown(name)}" if name else "")


class _Reader(abc.ABC):
    """Turns the rows of one run into records."""

    def __init__(self, head: Header, setup: Setup, problems: Problems) -> None:
        self.taking = Taking(setup)
        self.head, self.problems = head, problems

    @abc.abstractmethod
    def take(self, line: int, row: list[str], t_ns: int) -> None:
        """Take one row, in the order of the file."""

    def finish(self, run: str) -> None:  # noqa: B027 - the wide form knows all from its header
        """Nothing more comes; `run` names the run in a message, empty where there is one."""

    def bit(self, line: int, column: str, text: str) -> int | None:
        """0 or 1; None, with a problem, where it is neither."""
        try:
            return cells.bit(text)
        except CellError as error:
            self.problems.add(f"row {line}, column {column}", text, error.what, error.remedy)
            return None

    def reading(
        self, line: int, column: str, name: str, text: str, t_ns: int, good: bool
    ) -> None:  # fmt: skip
        """The cell of a signal with readings; `good` is what `pressure_good` says beside it."""
        channel, factor = channel_of(name)
        believed = good or channel != "pressure"
        if not text:
            if not believed:
                self.taking.sample(channel, None, t_ns, believed=False)
            return
        try:
            value = cells.value(text) * factor
        except CellError as error:
            self.problems.add(f"row {line}, column {column}", text, error.what, error.remedy)
            return
        self.taking.sample(channel, value, t_ns, believed)


class _Wide(_Reader):
    """A column for every signal."""

    def __init__(self, head: Header, setup: Setup, problems: Problems) -> None:
        super().__init__(head, setup, problems)
        self._digital = [(name, place) for name, place in head.wide.items() if name in DIGITAL]
        self._analog = [(name, place) for name, place in head.wide.items() if name not in DIGITAL]

    def take(self, line: int, row: list[str], t_ns: int) -> None:
        good = True
        for name, place in self._digital:
            text = row[place].strip()
            value = self.bit(line, name, text) if text else None
            if value is None:
                continue
            if name == PRESSURE_GOOD:
                good = value == 1
            else:
                self.taking.digital(name, value, t_ns)
        for name, place in self._analog:
            self.reading(line, name, name, row[place].strip(), t_ns, good)


class _Long(_Reader):
    """A row for every value. `pressure_good` speaks of the pressure of the same time."""

    def __init__(self, head: Header, setup: Setup, problems: Problems) -> None:
        super().__init__(head, setup, problems)
        self._signal, self._value = head.long or (0, 0)
        self._seen: dict[str, int] = {}
        self._unknown: set[str] = set()
        self._waiting: tuple[int, str, str] | None = None
        self._good = True
        self._now_ns = 0

    def take(self, line: int, row: list[str], t_ns: int) -> None:
        name, text = row[self._signal].strip().casefold(), row[self._value].strip()
        if self._now_ns != t_ns:
            self._give()
            self._now_ns = t_ns
        if not name:
            if text:
                self.problems.add(
                    f"row {line}, column signal", "", "a value and no signal",
                    "name the signal in every row that has a value",
                )  # fmt: skip
            return
        if name not in SIGNALS:
            if name not in self._unknown:
                self._unknown.add(name)
                self.problems.add(
                    f"row {line}, column signal", name, "unknown signal",
                    unknown_remedy(name, SIGNALS, "signal"),
                )  # fmt: skip
            return
        self._seen.setdefault(name, line)
        if name in DIGITAL:
            value = self.bit(line, "value", text) if text else None
            if value is None:
                return
            if name == PRESSURE_GOOD:
                self._good = value == 1
            else:
                self.taking.digital(name, value, t_ns)
        elif channel_of(name)[0] == "pressure":
            if self._waiting is not None:
                self._give()
            self._waiting = (line, name, text)
        else:
            self.reading(line, "value", name, text, t_ns, good=True)

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

    def _give(self) -> None:
        """The pressure that waited for the rest of its time, with what was said of it."""
        if self._waiting is not None:
            line, name, text = self._waiting
            self.reading(line, "value", name, text, self._now_ns, self._good)
        elif not self._good:
            self.taking.sample("pressure", None, self._now_ns, believed=False)
        self._waiting, self._good = None, True
