# SPDX-License-Identifier: MIT
"""Layout of a text file of columns: the delimiter, and where names, units and values begin.

The first line decides for a file with our own names in it. For any other, find the first stretch of
rows with the same number of cells, all of them values; the names are above it.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import IO

from rig.captures import cells
from rig.captures.cell_columns import NO_READING
from rig.captures.columns import KNOWN, TIMES
from rig.captures.problems import UTF16, Problems, shown
from rig.core.errors import FileProblems

HEAD_BYTES = 65_536
DELIMITERS = ("\t", ";", ",", "|")
BLANKS, FIXED = "blanks", "fixed"
LEAST_ROWS = 3
"""Consecutive rows of values that make a table."""
GENERIC = {"value", "run"}
"""Our names that alone are no sign of our form."""
UNIT = re.compile(
    r"[\[(]?\s*(?:[numkM\u00b5\u03bc]?(?:s|V|A|Pag?|Hz|barg?|ohm)|sec|seconds?|volts?|amps?|psi[ag]?"
    r"|\u00b0?[CF]|deg ?[CF]|rpm|%|bit|bool|logic|-)\s*[\])]?",
    re.IGNORECASE,
)
CLOCK = re.compile(r"[0-9]:[0-9]{2}|(?:[0-9]+[-/.]){2}[0-9]")
"""Marks in a time of day, and in a date."""
GROUPED = re.compile(r"[+-]?[0-9]{1,3}(?:[,.' ][0-9]{3})+(?:[.,][0-9]*)?")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,3})?")


@dataclass(frozen=True)
class Layout:
    """`delimiter` is a mark, BLANKS (any blanks) or FIXED (cut at `cuts`). Names are in line
    `header_line` (0: none), values from `first_line` on. `is_own`: the file has our own names."""

    delimiter: str
    names: list[str]
    header_line: int
    first_line: int
    is_own: bool
    encoding: str = "utf-8-sig"
    units: list[str] = field(default_factory=list)
    cuts: tuple[int, ...] = ()
    above: tuple[str, ...] = ()
    """Lines above the names: the instrument's own information."""

    def rows(self, lines: IO[str] | Iterator[str]) -> Iterator[tuple[int, list[str]]]:
        """The line number and cells of every row. May raise csv.Error."""
        if len(self.delimiter) == 1:
            reader = csv.reader(lines, delimiter=self.delimiter, skipinitialspace=True)
            for row in reader:
                yield reader.line_num, row
            return
        for number, text in enumerate(lines, 1):
            if text.startswith("#"):
                yield number, [text.rstrip("\n")]
            else:
                yield number, text.split() if self.delimiter == BLANKS else self._cut(text)

    def _cut(self, text: str) -> list[str]:
        """Split a line of fixed width. A value across a border gives one cell too many."""
        text = text.rstrip("\r\n")
        edges = [0, *self.cuts, max(len(text), *self.cuts, 0)]
        found = [text[a:b].strip() for a, b in pairwise(edges)]
        across = any(text[c - 1 : c].strip() and text[c : c + 1].strip() for c in self.cuts)
        return [*found, "a value across the border of two columns"] if across else found


def layout_of(path: Path, problems: Problems) -> Layout:
    """The layout of the file. Raises FileProblems where it has none, and OSError."""
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
        whole = not file.read(1)
    encoding, text = _decoded(head)
    lines = text.splitlines()
    if not whole and len(lines) > 1:
        lines.pop()
    own = _own(lines)
    if own is not None:
        return _replaced(own, encoding=encoding)
    if not any(line.strip() and not line.startswith("#") for line in lines):
        raise problems.stop(
            "", "", "the file is empty", "write a line with the names of the columns"
        )
    for delimiter in DELIMITERS:
        found = _table([_split(line, delimiter) for line in lines], delimiter)
        if found is not None:
            return _with(found, lines, encoding)
    # names that contain a blank are two blanks apart
    apart = [line.split() if _is_row(line.split()) else re.split(r"\s{2,}", line.strip())
             for line in lines]  # fmt: skip
    found = _table(apart, BLANKS) or _fixed(lines)
    if found is not None:
        return _with(found, lines, encoding)
    raise _no_table(lines, problems)


def _decoded(head: bytes) -> tuple[str, str]:
    """Old instruments write a micro sign as one byte; UTF-16 begins with a mark."""
    if head.startswith(tuple(UTF16)):
        return "utf-16", head.decode("utf-16", errors="ignore")
    try:
        return "utf-8-sig", head.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if error.start >= len(head) - 3:  # cut inside a character
            return "utf-8-sig", head[: error.start].decode("utf-8-sig")
        return "cp1252", head.decode("cp1252", errors="replace")


def _no_table(lines: Sequence[str], problems: Problems) -> FileProblems:
    """The problem of a file whose rows do not end in values: the first cell that is not a value."""
    number, line = max((n, line) for n, line in enumerate(lines, 1) if line.strip())
    cells_of = _split(line, max(DELIMITERS, key=line.count))
    odd = next((cell.strip() for cell in cells_of if not _is_value(cell)), "")
    remedy = "save it as CSV: a line with the names of the columns, and values below it"
    if CLOCK.search(odd):
        remedy = "let the instrument write the time as seconds from the start, without date"
    elif GROUPED.fullmatch(odd):
        remedy = "let the instrument write numbers without marks between the thousands"
    what = "no table of values was found in it"
    if odd:
        what += f': "{shown(odd)}" is no number, and no word for on or off'
    return problems.stop(f"row {number}" if odd else "", "", what, remedy)


def _split(line: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return []


def _own(lines: Sequence[str]) -> Layout | None:
    """The layout of a file whose first meaningful line has our names. With a time under an
    instrument's name, it is the instrument's file: its unit is guessed and confirmed."""
    for number, line in enumerate(lines, 1):
        if not line.strip() or line.startswith("#"):
            continue
        for delimiter in DELIMITERS:
            names = _split(line, delimiter)
            known = {name.strip().casefold() for name in names} & {*KNOWN}
            timed = known & {*TIMES} or not any("time" in name.casefold() for name in names)
            if len(known) > 1 and known - GENERIC and timed:
                return Layout(delimiter, names, number, number + 1, is_own=True)
        return None
    return None


def _is_value(cell: str) -> bool:
    cell = cell.strip()
    word = cell.casefold()
    return not cell or bool(_NUMBER.fullmatch(cell)) or word in cells.WORDS or word in NO_READING


def _is_row(row: Sequence[str]) -> bool:
    return all(map(_is_value, row)) and any(re.search("[0-9]", cell) for cell in row)


def _table(rows: Sequence[Sequence[str]], delimiter: str) -> Layout | None:
    """Where rows of values begin that continue to the end of the head."""
    spoken = [n for n, row in enumerate(rows) if row and not row[0].startswith("#") and any(row)]
    first = len(spoken)
    while first and _is_row(rows[spoken[first - 1]]):
        if len(rows[spoken[first - 1]]) != len(rows[spoken[-1]]):
            break
        first -= 1
    values = spoken[first:]
    if len(values) < LEAST_ROWS or len(rows[values[0]]) < 2:
        return None
    if delimiter == "," and _cut_numbers([rows[n] for n in values]):
        return None
    width = len(rows[values[0]])
    spoken_above = spoken[:first]
    names, units, header = [""] * width, [], 0
    last = _head_row(rows, spoken_above[-1:], width)
    before = _head_row(rows, spoken_above[-2:-1], width)
    if last and before and all(not cell or UNIT.fullmatch(cell) for cell in last):
        names, units, header = before, last, spoken_above[-2] + 1
    elif last:
        names, header = last, spoken_above[-1] + 1
    names = _unlike(names)
    return Layout(delimiter, names, header, values[0] + 1, is_own=False, units=units)


def _head_row(rows: Sequence[Sequence[str]], at: Sequence[int], width: int) -> list[str]:
    """Cells of a row that may be names or units; empty where it does not fit the values."""
    row = [cell.strip() for cell in rows[at[0]]] if at else []
    while len(row) > width and not row[-1]:
        row.pop()
    return row if len(row) == width and any(row) else []


def _unlike(names: Sequence[str]) -> list[str]:
    """The names, numbered where one is blank or appears twice."""
    found: list[str] = []
    for number, name in enumerate(names, 1):
        named = name or f"column {number}"
        found.append(named if named not in found else f"{named} ({number})")
    return found


def _cut_numbers(rows: Sequence[Sequence[str]]) -> bool:
    """Commas as decimal signs between blanks: `0,5  1,25` gives cells with a blank inside."""
    return any(" " in cell.strip() for row in rows for cell in row)


def _fixed(lines: Sequence[str]) -> Layout | None:
    """Aligned columns with names or values that contain blanks."""
    rows = [line for line in lines if line.strip() and not line.startswith("#")]
    values = [line for line in rows if all(map(_is_value, line.split()))]
    if len(values) < LEAST_ROWS:
        return None
    width = max(map(len, rows))
    used = [any(line[n : n + 1].strip() for line in values) for n in range(width)]
    runs = [m.span() for m in re.finditer("1+", "".join("1" if one else "0" for one in used))]
    if len(runs) < 2:
        return None
    first = lines.index(values[0])
    above = [line for line in lines[:first] if line.strip() and not line.startswith("#")]
    names = above[-1] if above else ""
    cuts = []
    for (_, end), (start, _) in pairwise(runs):
        gaps = [
            g.span() for g in re.finditer(r"\s+", names.ljust(width)[max(end - 1, 0) : start + 1])
        ]
        if not gaps:
            return None
        a, b = max(gaps, key=lambda span: span[1] - span[0])
        cuts.append(min(max((a + b + 1) // 2 + max(end - 1, 0), end), start))
    layout = Layout(FIXED, [], 0, first + 1, is_own=False, cuts=tuple(cuts))
    return _table_cut(layout, lines)


def _table_cut(layout: Layout, lines: Sequence[str]) -> Layout | None:
    cut = [[line] if line.startswith("#") else layout._cut(line) for line in lines]
    found = _table(cut, FIXED)
    return None if found is None else _replaced(found, cuts=layout.cuts)


def _with(found: Layout, lines: Sequence[str], encoding: str) -> Layout:
    above = tuple(lines[: (found.header_line or found.first_line) - 1])
    return _replaced(found, encoding=encoding, above=above)


def _replaced(layout: Layout, **fields: object) -> Layout:
    import dataclasses

    return dataclasses.replace(layout, **fields)  # type: ignore[arg-type]
