# SPDX-License-Identifier: MIT
"""The header line of a capture's CSV: which columns there are, and whether they are consistent."""

from __future__ import annotations

import functools
from collections.abc import Iterable
from typing import NamedTuple

from rig.captures.columns import (
    CHANNELS,
    KNOWN,
    NEEDED,
    PRESSURES,
    RUN,
    SIGNAL,
    SIGNALS,
    TIMES,
    VALUE,
)
from rig.captures.layout import Layout
from rig.captures.mapping import DIGITS, CaptureMap, Column
from rig.captures.problems import Problems, shown
from rig.config.files.problems import listed, nearest
from rig.config.gauge.units import factor_kpa


class Header(NamedTuple):
    """Positions of the columns. `wide` holds the index of every signal with its own column; it is
    empty in the long form, where `long` holds the indices of `signal` and `value`. In an
    instrument's file `columns` says how a signal's cells are read; `time` is None and `rate_hz` set
    where rows are samples, `digits` None where a cell numbers them."""

    width: int
    time: int | None
    time_name: str
    digits: int | None
    run: int | None
    wide: dict[str, int]
    long: tuple[int, int] | None
    columns: dict[str, Column]
    rate_hz: float | None = None
    left_out: tuple[str, ...] = ()


def header_of(row: list[str], line: int, problems: Problems) -> Header:
    """The header in row number `line`. Raises FileProblems with everything wrong with it."""
    names = [name.strip().casefold() for name in row]
    _check(names, f"row {line}", problems)
    problems.raise_any()
    time = next(name for name in TIMES if name in names)
    place = {name: n for n, name in enumerate(names)}
    return Header(
        len(names), place[time], time, TIMES[time], place.get(RUN),
        {name: place[name] for name in SIGNALS if name in place},
        (place[SIGNAL], place[VALUE]) if SIGNAL in place else None, {},
        left_out=tuple(dict.fromkeys(name for name in names if name and name not in KNOWN)),
    )  # fmt: skip


def mapped_header(layout: Layout, stated: CaptureMap) -> Header:
    """The header of an instrument's file, from its map."""
    place = {name: n for n, name in enumerate(layout.names)}
    used = {column.name for column in stated.signals.values()} | {stated.time}
    return Header(
        len(layout.names), None if stated.time is None else place[stated.time],
        stated.time or "number of the sample", DIGITS.get(stated.time_unit), None,
        {name: place[column.name] for name, column in stated.signals.items()}, None,
        dict(stated.signals), stated.rate_hz,
        tuple(name for name in layout.names if name not in used),
    )  # fmt: skip


@functools.cache
def channel_of(name: str) -> tuple[str, float]:
    """The channel of a signal with readings, and the factor to its unit."""
    if name in PRESSURES:
        return "pressure", factor_kpa(PRESSURES[name])
    return CHANNELS[name], 1.0


def unknown_remedy(name: str, known: Iterable[str], kind: str) -> str:
    """Remedy for a name that is not one of `known`."""
    near = nearest(name, known)
    if near in PRESSURES and "_" not in name:  # the name does not say which unit
        near = listed(PRESSURES, "or")
    hint = f"write {near}" if near else f"the {kind}s are {listed(known, 'and')}"
    return f"{hint}, or leave the {kind} out"


def twice_pressure(names: Iterable[str]) -> str:
    """Words for more than one pressure; empty where there is at most one."""
    pressures = [name for name in PRESSURES if name in names]
    return f"{listed(pressures, 'and')} together" if len(pressures) > 1 else ""


def _check(names: list[str], at: str, problems: Problems) -> None:
    for name in dict.fromkeys(names):
        if name not in KNOWN:
            if not _is_misspelt(name, names):
                continue
            key = f"{at}, column {shown(name)}"
            problems.add(key, "", "unknown column", unknown_remedy(name, KNOWN, "column"))
        elif names.count(name) > 1:
            problems.add(f"{at}, column {name}", "", "this column stands twice", "leave one out")
    times = [name for name in TIMES if name in names]
    if len(times) != 1:
        what = "both time_s and time_ms" if times else "no column with the time"
        problems.add(at, "", what, "give either time_s or time_ms")
    if SIGNAL in names or VALUE in names:
        _check_long(names, at, problems)
        return
    for name, holds in NEEDED.items():
        if name not in names:
            problems.add(
                at, "", f"no column {name}",
                f"add the column {name} ({holds}), or say which it is: --map {name}=COLUMN",
            )  # fmt: skip
    pressures = twice_pressure(names)
    if pressures:
        problems.add(at, "", pressures, "give the pressure once")


def _is_misspelt(name: str, names: list[str]) -> bool:
    """Whether it resembles one of our names that is missing. Any other column is left out."""
    near = nearest(name, (own for own in KNOWN if own not in names))
    return name == "pressure" or (
        near is not None and abs(len(near) - len(name)) <= 2 and near[0] == name[0]
    )


def _check_long(names: list[str], at: str, problems: Problems) -> None:
    for name, other in ((SIGNAL, VALUE), (VALUE, SIGNAL)):
        if name not in names:
            problems.add(
                at, "", f"a column {other} and no column {name}",
                f"add {name}, or give every signal a column of its own and leave {other} out",
            )  # fmt: skip
    wide = [name for name in names if name in SIGNALS]
    if wide:
        problems.add(
            at, "", f"both the columns signal and value and the column {listed(wide, 'and')}",
            "give each value once: either in rows of signal and value, or in columns of its own",
        )  # fmt: skip
