# SPDX-License-Identifier: MIT
"""Import a table made elsewhere as recordings, or refuse it with every problem found.

Wide form: one row per change or sample, a column for every signal; a blank cell gives no new
value, a digital value holds until the next row that gives one. Long form: one row per value, with
the columns `signal` and `value`. Either may hold several runs, distinguished by a column `run`.
webui/help/captures.md describes the file for those who make one.
"""

from __future__ import annotations

import contextlib
import csv
import io
import itertools
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, NamedTuple

import numpy as np

from rig.captures import cell_columns, cells
from rig.captures.agreement import remarks, require_units
from rig.captures.cell_columns import Cells, pointed
from rig.captures.cells import CellError
from rig.captures.columns import DIGITAL
from rig.captures.comments import Comments
from rig.captures.csv_head import Header, header_of, mapped_header
from rig.captures.csv_rows import Long, Problem, Rows, RunReader, Wide
from rig.captures.guess import fitted, guess
from rig.captures.layout import Layout, layout_of
from rig.captures.mapping import NOTHING, CaptureMap, Stated, key_of
from rig.captures.problems import Problems, cannot_be_read, look_at, shown
from rig.config.setup.model import Setup
from rig.core.recording import Bool, Float, Int64, Recording

MAX_RUNS = 1000
BLOCK_CHARS = 1 << 20
Progress = Callable[[int], None]
"""Callback with the number of bytes read so far."""


class CapturedRun(NamedTuple):
    """One run of a capture. `name` is its value in the column `run`; None without that column."""

    name: str | None
    recording: Recording


class Plan(NamedTuple):
    """How a table will be read. `by` is None where it has our own names; `sure` is False where the
    map is an unconfirmed guess. `key` identifies files of this kind. `remarks` are sentences on map
    entries that nobody stated for this file."""

    layout: Layout
    by: CaptureMap | None
    sure: bool
    left_out: tuple[str, ...]
    key: str
    remarks: tuple[str, ...] = ()


Kept = Callable[[str], CaptureMap | None]
"""The map confirmed for files of this kind."""


def plan_csv(
    path: str | os.PathLike[str], setup: Setup, said: Stated | None = None,
    kept: Kept | None = None, typed: CaptureMap | None = None,
) -> Plan:  # fmt: skip
    """How to read the table at `path`: by our own names; by a map `typed` by a person for this
    file; by the options given (`said`), and the map `kept` for similar files as far as it fits this
    one; else by a guess. Raises FileProblems, also for a unit that contradicts the file's own, and
    UsageError for an option on a column that does not exist."""
    problems = Problems(path)
    said = said or Stated()
    with _refusing(problems):
        look_at(Path(path), problems)
        layout = layout_of(Path(path), problems)
        key = key_of(layout.names, layout.units, setup)
        if layout.is_own and not said:
            head = header_of(layout.names, layout.header_line, problems)
            return Plan(layout, None, True, head.left_out, key)
        from_before = False
        if typed is not None or said.is_complete():
            by, sure = said.over(typed or NOTHING, layout.names), True
        elif kept is not None and (known := kept(key)) is not None:
            by, sure = fitted(said.over(known, layout.names), said, Path(path), layout)
            from_before = True
        else:
            by, sure = said.over(guess(Path(path), layout, setup), layout.names), False
        sure = sure and not by.missing()
        head = mapped_header(layout, by)
        require_units(layout, by, said, problems)
        problems.raise_any()
        told = () if typed is not None else remarks(by, said, setup, kept=from_before)
        return Plan(layout, by, sure, head.left_out, key, told)


def read_csv(path: str | os.PathLike[str], setup: Setup) -> Recording:
    """The single run of the capture at `path` as a recording of source "capture".

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
    path: str | os.PathLike[str], setup: Setup, resolution_ns: int | None = None,
    plan: Plan | None = None, progress: Progress | None = None,
) -> list[CapturedRun]:  # fmt: skip
    """Every run of the capture at `path`, in the order of their first rows. `resolution_ns` as in
    rig.captures.read_capture; a `plan` must be confirmed.

    Raises FileProblems like `read_csv`.
    """
    problems = Problems(path)
    with _refusing(problems):
        if plan is None:
            plan = plan_csv(path, setup)
            if not plan.sure:
                raise unsure(plan, problems)
        layout = plan.layout
        head = (
            header_of(layout.names, layout.header_line, problems)
            if plan.by is None
            else mapped_header(layout, plan.by)
        )
        comments = Comments(problems, resolution_ns)
        for number, text in enumerate(layout.above, 1):
            if not text.startswith("#"):
                comments.hear(text, f"row {number}")
        return _read_table(Path(path), setup, head, layout, problems, comments, progress)


def unsure(plan: Plan, problems: Problems) -> Exception:
    """The error to raise for an unconfirmed guess."""
    by = plan.by
    missing = by.missing() if by is not None else []
    what = "its columns do not have our names"
    if missing:
        what += f", and no guess was found for {', '.join(missing)}"
    typed = by.as_typed() if by is not None else ""
    return problems.stop(
        "", ", ".join(plan.layout.names), what,
        "say which column is what, with --map, --rate and --threshold"
        + (f"; the guess so far, for you to check: {typed}" if typed else "")
        + "".join(f"; {one.rstrip('.')}" for one in plan.remarks),
    )  # fmt: skip


@contextlib.contextmanager
def _refusing(problems: Problems) -> Iterator[None]:
    """Convert every failure to read a file into FileProblems."""
    path = Path(problems.file)
    if path.suffix == ".toml":
        raise problems.stop(
            "", "", "this is a setup or a sheet, and a capture was expected",
            "give the capture first: rig analyse CAPTURE SETUP SHEET",
        )  # fmt: skip
    try:
        yield
    except OSError as error:
        raise cannot_be_read(error, problems) from error
    except UnicodeDecodeError as error:
        what = f"not UTF-8 text (byte {error.start} of a block)"
        raise problems.stop("", "", what, "save it as CSV, UTF-8") from error
    except csv.Error as error:
        what = f"not a CSV file: {error}"
        raise problems.stop("", "", what, "save it as CSV with commas, UTF-8") from error


def _read_table(
    path: Path,
    setup: Setup,
    head: Header,
    layout: Layout,
    problems: Problems,
    comments: Comments,
    progress: Progress | None = None,
) -> list[CapturedRun]:
    """Every run of a table with a known header."""
    runs = _Runs(head, layout, setup, problems)
    with path.open(encoding=layout.encoding, newline="") as file:
        for block in _blocks(file, layout, head, problems, comments):
            if block.lines:
                runs.take(block)
            if progress is not None:
                progress(block.read)
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


@dataclass
class _Block:
    """A block of rows: the `numbers` (n, columns) where rows hold nothing else, or cells in `rows`.
    `lines` (n,) are their line numbers, `read` the bytes read by their end."""

    lines: Sequence[int]
    rows: list[list[str]]
    numbers: Float | None
    read: int


def _blocks(
    file: IO[str], layout: Layout, head: Header, problems: Problems, comments: Comments
) -> Iterator[_Block]:
    """Rows that are neither blank nor a comment (#); comments go to `comments`."""
    before, read = 0, 0
    bytes_each = 2 if layout.encoding == "utf-16" else 1
    while text := file.read(BLOCK_CHARS):
        text += file.readline()
        while text.count('"') % 2 and (more := file.readline()):  # a line break within a cell
            text += more
        read += len(text) * bytes_each
        count = text.count("\n") + (not text.endswith("\n"))
        numbers = None
        if before + 1 >= layout.first_line and len(layout.delimiter) == 1:
            numbers = cell_columns.matrix(text, layout.delimiter, head.width)
        if numbers is not None and _are_plain(numbers, head):
            yield _Block(range(before + 1, before + 1 + len(numbers)), [], numbers, read)
        else:
            lines, rows = [], []
            for line, row in _spoken(text, before, layout, head, problems, comments):
                lines.append(line)
                rows.append(row)
            yield _Block(lines, rows, None, read)
        before += count


def _spoken(
    text: str, before: int, layout: Layout, head: Header, problems: Problems, comments: Comments
) -> Iterator[tuple[int, list[str]]]:
    for number, row in layout.rows(io.StringIO(text, newline="")):
        line = before + number
        if row and row[0].startswith("#"):
            comments.hear(row[0].lstrip("# "), f"row {line}")
        elif line < layout.first_line or not any(row):
            continue
        elif len(row) < head.width or any(cell.strip() for cell in row[head.width :]):
            problems.add(
                f"row {line}", "", f"{len(row)} cells where there are {head.width} columns",
                "give every row one cell a column, blank for no new value",
            )  # fmt: skip
        else:
            yield line, row


def _are_plain(numbers: Float, head: Header) -> bool:
    """Whether nothing needs parsing as text: times that a float holds, and bits."""
    if head.run is not None or head.long is not None:
        return False
    for name, place in head.wide.items():
        column = head.columns.get(name)
        if name in DIGITAL and (column is None or column.below is None):
            of_line = numbers[:, place]
            if not ((of_line == 0) | (of_line == 1)).all():
                return False
    if head.time is None:
        return True
    most = cells.MAX_S * (head.rate_hz or 1.0)
    if head.digits is not None:
        most = cell_columns.EXACT_NS / 10.0**head.digits
    return bool((np.abs(numbers[:, head.time]) < most).all())


class _Runs:
    """Assign each row to its run."""

    def __init__(self, head: Header, layout: Layout, setup: Setup, problems: Problems) -> None:
        self.readers: dict[str, RunReader] = {}
        self._decimal_comma = layout.delimiter != ","
        self._head, self._setup, self._problems = head, setup, problems
        self._rows_before = 0

    def take(self, block: _Block) -> None:
        """Add a block of rows, in file order."""
        lines, columns = block.lines, self._columns(block)
        found: list[Problem] = []
        t_ns, good = self._times(columns, lines, found)
        self._rows_before += len(lines)
        groups = self._of_runs(columns, lines, good, found)
        for name, places in groups.items():
            reader = self._reader(name, lines[places[0]])
            if len(places) == len(lines):
                reader.take(Rows(lines, t_ns, columns))
            else:
                some: list[Cells] = [[column[n] for n in places] for column in columns]
                reader.take(Rows([lines[n] for n in places], t_ns[places], some))
            found += reader.found
            reader.found.clear()
        for problem in sorted(found, key=lambda one: one.line):
            self._problems.add(*problem[1:])

    def _columns(self, block: _Block) -> list[Cells]:
        if block.numbers is not None:
            return list(block.numbers.T)
        columns: list[Cells] = []
        for cells_of in itertools.islice(zip(*block.rows, strict=False), self._head.width):
            texts = [text.strip() for text in cells_of]
            comma = self._decimal_comma and any("," in text for text in texts)
            columns.append(pointed(texts) if comma else texts)
        return columns

    def _times(
        self, columns: list[Cells], lines: Sequence[int], found: list[Problem]
    ) -> tuple[Int64, Bool]:
        head, count = self._head, len(lines)

        def wrong(n: int, text: str, why: CellError) -> None:
            key = f"row {lines[n]}, column {head.time_name}"
            found.append(Problem(lines[n], key, text, why.what, why.remedy))

        if head.time is None:
            number = np.arange(self._rows_before, self._rows_before + count)
            t_ns = np.rint(number * (1e9 / (head.rate_hz or 1.0))).astype(np.int64)
            return t_ns, np.ones(count, np.bool_)
        if head.digits is None:
            return cell_columns.sample_times(columns[head.time], head.rate_hz or 1.0, wrong)
        return cell_columns.times(columns[head.time], head.digits, wrong)

    def _of_runs(
        self, columns: list[Cells], lines: Sequence[int], good: Bool, found: list[Problem]
    ) -> dict[str, Sequence[int]]:
        """Indices of the rows of each run, in the order of their first rows."""
        place = self._head.run
        if place is None:
            there = range(len(lines)) if good.all() else np.flatnonzero(good).tolist()
            return {"": there} if len(there) else {}
        groups: dict[str, list[int]] = {}
        for n, name in enumerate(map(str, columns[place])):
            if not name:
                key = f"row {lines[n]}, column run"
                found.append(Problem(lines[n], key, "", "no run", "name the run in every row"))
            elif good[n]:
                groups.setdefault(name, []).append(n)
        return dict(groups)

    def _reader(self, name: str, line: int) -> RunReader:
        reader = self.readers.get(name)
        if reader is None:
            if len(self.readers) >= MAX_RUNS:
                what = f"more than {MAX_RUNS} runs"
                raise self._problems.stop(f"row {line}, column run", name, what, "cut the file")
            kind = Wide if self._head.long is None else Long
            reader = self.readers[name] = kind(self._head, self._setup, self._problems)
        return reader

    def finish(self) -> None:
        """Report what is known only after the last row."""
        for name, reader in self.readers.items():
            reader.finish(f"run {shown(name)}" if name else "")
