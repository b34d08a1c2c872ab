# SPDX-License-Identifier: MIT
"""Convert a block's cells of one column at once: exact nanoseconds, 0 or 1, plain numbers.

A plain column is converted as a whole; any other cell by cell, which also finds what is wrong.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable, Sequence

import numpy as np

from rig.captures import cells
from rig.captures.cells import CellError
from rig.captures.mapping import Column
from rig.core.recording import Bool, Float, Int8, Int64

Wrong = Callable[[int, str, CellError], None]
"""Replacement for an unusable cell, its text, and the reason."""

FEW = 64
"""A column of 0 and 1 with more different texts than this is not read through a table of its
words."""
EXACT_NS = 2.0**50
"""Below this a float holds a time to a quarter of a nanosecond."""
_ALLOWED = str.maketrans("", "", "0123456789+-.eE")
DECIMAL_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+(?:[eE][+-]?[0-9]+)?")
NO_READING = frozenset(
    {"nan", "inf", "+inf", "-inf", "infinity", "ol", "-ol", "o.l", "overload", "---", "n/a"}
)
"""What instruments write for a missing reading (common practice, no source)."""


def pointed(texts: Sequence[str]) -> list[str]:
    """Convert decimal commas to decimal points."""
    return [t.replace(",", ".") if DECIMAL_COMMA.fullmatch(t.strip()) else t for t in texts]


Cells = list[str] | Float
"""The cells of a column: stripped texts, or numbers where every cell is a number."""


def text_of(cell: str | float) -> str:
    """A cell as it is shown in a message."""
    return cell if isinstance(cell, str) else f"{cell:.12g}"


def matrix(text: str, delimiter: str, width: int) -> Float | None:
    """Rows of numbers only, as (n, width); None where a cell is blank or anything else."""
    plainly = text.replace("\r\n", "\n")
    if delimiter != ",":
        plainly = plainly.replace(",", ".")
    if not plainly.isascii():
        return None
    raw = (plainly if plainly.endswith("\n") else f"{plainly}\n").encode()
    marks = delimiter.encode() + b"\n"
    if raw.translate(None, b"0123456789+-.eE" + marks):
        return None
    every = np.frombuffer(raw.translate(None, b"0123456789+-.eE"), np.uint8)
    if len(every) % width:
        return None
    each = every.reshape(-1, width)
    if not (each[:, :-1] == marks[0]).all() or not (each[:, -1] == marks[1]).all():
        return None
    twice = (marks[:1] * 2, marks, marks[::-1], b"\n\n")
    if raw[:1] in (marks[:1], b"\n") or any(pair in raw for pair in twice):
        return None  # a blank cell
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            found = np.fromstring(raw.replace(b"\n", marks[:1])[:-1].decode(), sep=delimiter)
        except (DeprecationWarning, ValueError):
            return None
    if len(found) != len(every) or not np.isfinite(found).all():
        return None
    return found.reshape(-1, width)


def plain(texts: Cells) -> Float | None:
    """Numbers (n,), NaN for a blank cell; None where a cell is anything else."""
    if isinstance(texts, np.ndarray):
        return texts
    if "".join(texts).translate(_ALLOWED):
        return None
    try:
        found = np.array([float(text) if text else np.nan for text in texts])
    except ValueError:
        return None
    return None if np.isinf(found).any() else found


def times(texts: Cells, digits: int, wrong: Wrong) -> tuple[Int64, Bool]:
    """Times of cells as nanoseconds (n,), and which of them are valid times; `digits` as in
    cells.time_ns."""
    numbers = plain(texts)
    if numbers is not None:
        t_ns = numbers * 10.0**digits
        if (np.abs(t_ns) < EXACT_NS).all():  # no blanks either: NaN is not below
            return np.rint(t_ns).astype(np.int64), np.ones(len(texts), np.bool_)
    return _each([*map(str, texts)], lambda text: cells.time_ns(text, digits), 0, np.int64, wrong)


def sample_times(texts: Cells, rate_hz: float, wrong: Wrong) -> tuple[Int64, Bool]:
    """Times (ns) of cells that number the samples."""

    if isinstance(texts, np.ndarray):
        return np.rint(texts * (1e9 / rate_hz)).astype(np.int64), np.ones(len(texts), np.bool_)

    def one(text: str) -> int:
        if not text:
            raise CellError("no number of a sample", "number every row")
        t_s = cells.value(text) / rate_hz
        if abs(t_s) > cells.MAX_S:
            raise CellError("too large a time", "look at the rate of samples")
        return round(t_s * 1e9)

    return _each(texts, one, 0, np.int64, wrong)


def bits(texts: Cells, column: Column | None, wrong: Wrong) -> Int8:
    """0 or 1 (n,), -1 where a cell gives neither: blank, or between the thresholds of `column`.

    Without `column` a cell is 0 or 1, or TRUE or FALSE; with it, any of the words for two states,
    and it may be inverted.
    """
    if column is not None and column.above is not None and column.below is not None:
        volts, _ = values(texts, wrong, NO_READING)
        found = np.where(volts > column.above, 1, np.where(volts < column.below, 0, -1))
    elif isinstance(texts, np.ndarray):
        found = texts
    else:
        of_text = cells.bit if column is None else cells.state
        different = set(texts)
        if len(different) <= FEW:
            table = {text: _bit(text, of_text) for text in different}
            found = np.fromiter((table[text] for text in texts), np.int8, len(texts))
            odd = np.flatnonzero(found == ODD).tolist()
        else:
            found = np.fromiter((_bit(text, of_text) for text in texts), np.int8, len(texts))
            odd = np.flatnonzero(found == ODD).tolist()
        for place in odd:
            try:
                of_text(texts[place])
            except CellError as error:
                wrong(place, texts[place], error)
        found[odd] = -1
    if column is not None and column.inverted:
        found = np.where(found >= 0, 1 - found, found)
    return found.astype(np.int8)


ODD = -2


def _bit(text: str, of_text: Callable[[str], int]) -> int:
    if not text:
        return -1
    try:
        return of_text(text)
    except CellError:
        return ODD


def values(
    texts: Cells, wrong: Wrong, no_reading: frozenset[str] = frozenset()
) -> tuple[Float, Bool]:
    """Numbers (n,), NaN for a cell without one, and which cells are not blank; texts in
    `no_reading` are not blank and have no number."""
    numbers = plain(texts)
    if numbers is not None:
        return numbers, ~np.isnan(numbers)

    words = [*map(str, texts)]

    def one(text: str) -> float:
        return np.nan if text.casefold() in no_reading else cells.value(text)

    there = np.array([bool(text) for text in words], np.bool_)
    found, good = np.full(len(words), np.nan), there.copy()
    for place in np.flatnonzero(there).tolist():
        try:
            found[place] = one(words[place])
        except CellError as error:
            good[place] = False
            wrong(place, words[place], error)
    return found, good


def _each(
    texts: Sequence[str],
    convert: Callable[[str], int],
    blank: int,
    kind: type[np.int64],
    wrong: Wrong,
) -> tuple[Int64, Bool]:
    found, good = np.full(len(texts), blank, kind), np.ones(len(texts), np.bool_)
    for place, text in enumerate(texts):
        try:
            found[place] = convert(text)
        except CellError as error:
            good[place] = False
            wrong(place, text, error)
    return found, good
