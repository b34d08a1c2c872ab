# SPDX-License-Identifier: MIT
"""Guess an instrument's columns from their names, units and values. A guess is shown to a person
and used only when confirmed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from rig.captures import cells
from rig.captures.cell_columns import pointed
from rig.captures.columns import COIL, COMMAND, SWITCH_COLUMN
from rig.captures.layout import HEAD_BYTES, Layout
from rig.captures.mapping import CaptureMap, Column, Stated, TimeUnit
from rig.captures.problems import UTF16
from rig.config.gauge.units import table_factor
from rig.config.setup.model import Setup

SLICES, SLICE_BYTES = 200, 4096
"""Number of places sampled in a large file besides its beginning."""
DIGITAL_WORDS = {
    COMMAND: ("command", "cmd", "drive", "relay", "trigger", "gate", "output", "actuat", "energi"),
    SWITCH_COLUMN: ("switch", "contact", "sw"),
    COIL: ("coil", "readback", "read-back", "solenoid", "load"),
}
"""Words in column names, the surest first (common practice, no source)."""
READING_WORDS = {
    "oil_temperature_degc": ("oil temp", "temperature", "temp"),
    "supply_voltage_v": ("supply", "battery", "batt"),
    "coil_current_a": ("current", "amps", "clamp"),
    "engine_speed_rpm": ("rpm", "engine speed"),
}
TIME_WORDS = ("time", "elapsed", "seconds", "timestamp")
SAMPLE_WORDS = ("sample", "index", "point", "no.", "#", "nr")
TIME_UNITS: dict[str, TimeUnit] = {
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s", "ms": "ms", "msec": "ms",
    "msecs": "ms", "millisecond": "ms", "milliseconds": "ms", "us": "us", "\u00b5s": "us",
    "\u03bcs": "us", "usec": "us", "usecs": "us", "microsecond": "us", "microseconds": "us",
    "ns": "ns", "nsec": "ns", "nsecs": "ns", "nanosecond": "ns", "nanoseconds": "ns",
}  # fmt: skip
"""In lower case. Any other word beside a time is an unknown unit, never seconds."""
RATE = re.compile(
    r"(?:sampl|record)\w*[ _]*(rate|frequency|interval|period)\W+"
    r"([0-9][0-9.,'\u00a0\u202f]*(?: [0-9]{3})*(?:e[+-]?[0-9]+)?)\W*([a-z\u00b5\u03bc/]*)",
    re.IGNORECASE,
)
GROUPED = re.compile(r"[,' \u00a0\u202f][0-9]{3}(?![0-9])|^[1-9][0-9]{0,2}\.[0-9]{3}(?![0-9])")
"""Digits in groups, or a fraction of three digits: ambiguous."""
_HZ = {
    "": 1.0, "hz": 1.0, "s/s": 1.0, "sps": 1.0, "/s": 1.0, "samples/s": 1.0, "khz": 1e3,
    "ks/s": 1e3, "ksps": 1e3, "mhz": 1e6, "ms/s": 1e6, "msps": 1e6,
}  # fmt: skip
_SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
SPLIT_SHARE = 0.2
"""Maximum share of readings between two levels for a column to be a line with two states."""


def rate_of(lines: Sequence[str]) -> float | None:
    """The sample rate (Hz) stated in the instrument's own lines."""
    for line in lines:
        found = RATE.search(line)
        if found is None or GROUPED.search(found[2]):
            continue
        try:
            number = float(found[2].replace(",", "."))
        except ValueError:
            continue
        word = found[3].casefold()
        if found[1].casefold() in ("interval", "period"):
            factor = _SECONDS.get(TIME_UNITS.get(word or "s", ""))
            rate_hz = 1 / (number * factor) if factor and number else 0.0
        else:
            rate_hz = number * _HZ.get(word, 0.0)
        if 0 < rate_hz <= 1e12:
            return rate_hz
    return None


def looked_at(path: Path, layout: Layout) -> list[list[str]]:
    """Cells of each column from the beginning of the file and from places throughout it."""
    size = path.stat().st_size
    rows: list[list[str]] = []
    with path.open("rb") as file:
        encoding = UTF16.get(file.read(2), layout.encoding)
        beyond = max(size - 2 * HEAD_BYTES, 0)
        count = min(SLICES, beyond // SLICE_BYTES)
        places = np.linspace(2 * HEAD_BYTES, size, count, endpoint=False).astype(int).tolist()
        for n, place in enumerate([0, *places]):
            file.seek(place - place % 2)  # start of a UTF-16 character
            length = SLICE_BYTES if n else 2 * HEAD_BYTES
            text = file.read(length).decode(encoding, errors="replace").lstrip("\ufeff")
            lines = text.splitlines()
            lines = (
                lines[1:-1] if n else lines[layout.first_line - 1 : None if size <= length else -1]
            )
            rows += [row for _, row in layout.rows(iter(lines)) if len(row) == len(layout.names)]
    return [pointed([cell.strip() for cell in column]) for column in zip(*rows, strict=True)]


def guess(path: Path, layout: Layout, setup: Setup) -> CaptureMap:
    """The probable map of the file's columns; `missing` lists what could not be guessed."""
    columns = looked_at(path, layout) or [[] for _ in layout.names]
    units = [_unit(name, n, layout) for n, name in enumerate(layout.names)]
    plain = [re.sub(r"[\[(].*?[\])]", "", name).casefold().strip() for name in layout.names]
    rate_hz = rate_of(layout.above)
    place, unit = _time(plain, units, columns, rate_hz)
    free = [n for n in range(len(plain)) if n != place]
    found: dict[str, Column] = {}
    two = {n: column for n in free if (column := _states(layout.names[n], columns[n])) is not None}
    for role, words in DIGITAL_WORDS.items():
        for n in _named(plain, words, [n for n in free if n in two]):
            found[role] = two[n]
            free.remove(n)
            break
    readings = {n: _reading(plain[n], units[n], layout.names[n], columns[n]) for n in free}
    unnamed = [n for n in free if n in two and readings[n] is None]
    lacking = [role for role in (COMMAND, SWITCH_COLUMN) if role not in found]
    if COMMAND in lacking and COIL in found and len(unnamed) < len(lacking):
        found[COMMAND] = found[COIL]
    for role in (COMMAND, SWITCH_COLUMN):
        left = [n for n in unnamed if n in free]
        if role not in found and left:
            n = min(left, key=lambda n: _first_change(columns[n], two[n]))
            found[role] = two[n]
            free.remove(n)
    for n in free:
        reading = readings[n]
        if reading is not None and reading[0] not in found:
            found[reading[0]] = reading[1]
    _senses(found, columns, layout.names, setup)
    return CaptureMap(
        time=None if place is None else layout.names[place], time_unit=unit,
        rate_hz=rate_hz if unit == "sample" else None, signals=found,
    )  # fmt: skip


def fitted(known: CaptureMap, said: Stated, path: Path, layout: Layout) -> tuple[CaptureMap, bool]:
    """A kept map adjusted to this file, and whether it fitted unchanged: the rate is the file's
    own, and levels that do not split this file's readings are guessed again. What was `said` of
    this file is kept."""
    signals, fits = dict(known.signals), True
    columns = looked_at(path, layout)
    for role, column in known.signals.items():
        if column.below is None or role in said.thresholds or column.name not in layout.names:
            continue
        texts = columns[layout.names.index(column.name)] if columns else []
        if not _splits(column, texts):
            fits = False
            anew = _states(column.name, texts) or column
            signals[role] = anew.model_copy(update={"inverted": column.inverted})
    rate_hz = known.rate_hz
    if known.time_unit == "sample" and said.rate_hz is None:
        rate_hz = rate_of(layout.above)
        fits = fits and rate_hz == known.rate_hz
    return known.model_copy(update={"signals": signals, "rate_hz": rate_hz}), fits


def _splits(column: Column, texts: Sequence[str]) -> bool:
    """Whether the thresholds split these readings into two states."""
    numbers = _numbers([text for text in texts if text])
    is_low, is_high = numbers < (column.below or 0.0), numbers > (column.above or 0.0)
    between = ~(is_low | is_high)
    return bool(is_low.any() and is_high.any() and between.mean() <= SPLIT_SHARE)


def _unit(name: str, n: int, layout: Layout) -> str:
    """The unit of a column: from its own line, in brackets after the name, or the name's last
    word."""
    if layout.units and layout.units[n].strip("[]() "):
        return layout.units[n].strip("[]() ")
    in_brackets = re.search(r"[\[(]([^\[\]()]*)[\])]", name)
    if in_brackets:
        return in_brackets[1].strip()
    return re.split(r"[ _/,]", name.strip())[-1]


def _named(plain: Sequence[str], words: Sequence[str], among: Sequence[int]) -> list[int]:
    """Indices of the names with one of the words, surest word first."""
    return [
        n for word in words for n in among if re.search(rf"(?<![a-z]){re.escape(word)}", plain[n])
    ]


def _time(
    plain: Sequence[str], units: Sequence[str], columns: Sequence[Sequence[str]],
    rate_hz: float | None,
) -> tuple[int | None, TimeUnit]:  # fmt: skip
    rising = [n for n, cells_ in enumerate(columns) if _rises(cells_)]
    words = [unit.casefold() for unit in units]
    of_time = [n for n in rising if words[n] in TIME_UNITS]
    named = _named(plain, TIME_WORDS, rising)
    for n in [*_named(plain, TIME_WORDS, of_time), *of_time]:
        return n, TIME_UNITS[words[n]]
    for n in named:
        return (n, "s") if words[n] in TIME_WORDS else (None, "sample")
    for n in _named(plain, SAMPLE_WORDS, rising):
        return n, "sample"
    if rate_hz is not None and not rising:
        return None, "sample"
    if rising and all(text.isdecimal() for text in columns[rising[0]]):
        return rising[0], "sample"
    return None, "sample"


def _numbers(texts: Sequence[str]) -> np.ndarray:
    found = []
    for text in texts:
        try:
            found.append(cells.value(text))
        except cells.CellError:
            found.append(np.nan)
    return np.array(found)


def _rises(texts: Sequence[str]) -> bool:
    numbers = _numbers(texts)
    return len(numbers) > 1 and bool((np.diff(numbers) >= 0).all() and numbers[-1] > numbers[0])


def _states(name: str, texts: Sequence[str]) -> Column | None:
    """The column as a line with two states: words, or an analogue level with thresholds between."""
    given = [text for text in texts if text]
    if not given:
        return None
    try:
        for text in set(given[:HEAD_BYTES]):
            cells.state(text)
        return Column(name=name)
    except cells.CellError:
        pass
    numbers = _numbers(given)
    if np.isnan(numbers).any():
        return None
    low, high = np.percentile(numbers, [1, 99])
    if not high > low:
        low, high = float(numbers.min()), float(numbers.max())
    between = (numbers > low + 0.25 * (high - low)) & (numbers < low + 0.75 * (high - low))
    if not high > low or between.mean() > SPLIT_SHARE:
        return None
    below, above = (float(f"{low + share * (high - low):.3g}") for share in (0.4, 0.6))
    return Column(name=name, below=below, above=above) if below < above else None


def _first_change(texts: Sequence[str], column: Column) -> int:
    first = next((text for text in texts if text), "")
    if column.below is None:
        return next((n for n, t in enumerate(texts) if t and t != first), len(texts))
    numbers = _numbers(texts)
    middle = ((column.below or 0) + (column.above or 0)) / 2
    return int(np.argmax((numbers > middle) != (numbers[0] > middle))) or len(texts)


def _reading(plain: str, unit: str, name: str, texts: Sequence[str]) -> tuple[str, Column] | None:
    """A column of readings, with the factor from its unit to ours."""
    if np.isnan(_numbers([t for t in texts if t])).all():
        return None
    factor = table_factor(unit)
    if factor is not None and ("press" in plain or unit.casefold() not in ("a",)):
        for role, own in (
            ("pressure_kpa", "kpa"),
            ("pressure_psi", "psi"),
            ("pressure_bar", "bar"),
        ):
            if unit.casefold().rstrip("g") == own:
                return role, Column(name=name)
        return "pressure_kpa", Column(name=name, scale=factor)
    for role, words in READING_WORDS.items():
        if _named([plain], words, [0]):
            if role == "oil_temperature_degc" and unit.casefold().strip("\u00b0 deg") == "f":
                return None
            milli = unit in ("mA", "mV")
            return role, Column(name=name, scale=1e-3 if milli else 1.0)
    return None


def _senses(
    found: dict[str, Column], columns: Sequence[Sequence[str]], names: Sequence[str], setup: Setup
) -> None:
    """Levels are electrical: the setup says which one is a closed contact or a live coil."""
    closed = {SWITCH_COLUMN: setup.switch_closed_level, COIL: setup.coil_live_level}
    for role, level_of_one in closed.items():
        column = found.get(role)
        if column is None or level_of_one:
            continue
        words = {text.casefold() for text in columns[list(names).index(column.name)]}
        if column.below is not None or words & {"high", "low", "hi", "lo", "h", "l"}:
            found[role] = column.model_copy(update={"inverted": True})
