# SPDX-License-Identifier: MIT
"""The first line of a capture's CSV: which columns there are, and whether they make sense."""

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
from rig.captures.problems import Problems, shown
from rig.config.files.problems import listed, nearest
from rig.config.gauge.units import factor_kpa


class Header(NamedTuple):
    """Where the columns stand. `wide` holds the place of every signal with its own column; it is
    empty in the long form, where `long` holds the places of `signal` and `value`."""

    width: int
    time: int
    time_name: str
    digits: int
    run: int | None
    wide: dict[str, int]
    long: tuple[int, int] | None


def header_of(row: list[str], line: int, problems: Problems) -> Header:
    """The header in row number `line`. Raises FileProblems with all that is wrong with it."""
    names = [name.strip().casefold() for name in row]
    _check(names, f"row {line}", problems)
    problems.raise_any()
    time = next(name for name in TIMES if name in names)
    place = {name: n for n, name in enumerate(names)}
    return Header(
        len(names), place[time], time, TIMES[time], place.get(RUN),
        {name: place[name] for name in SIGNALS if name in place},
        (place[SIGNAL], place[VALUE]) if SIGNAL in place else None,
    )  # fmt: skip


@functools.cache
def channel_of(name: str) -> tuple[str, float]:
    """The channel that a signal with readings tells of, and the factor to its unit."""
    if name in PRESSURES:
        return "pressure", factor_kpa(PRESSURES[name])
    return CHANNELS[name], 1.0


def unknown_remedy(name: str, known: Iterable[str], kind: str) -> str:
    """What to do about a name that is not one of `known`."""
    near = nearest(name, known)
    if near in PRESSURES and "_" not in name:  # the name does not say which unit it is
        near = listed(PRESSURES, "or")
    hint = f"write {near}" if near else f"the {kind}s are {listed(known, 'and')}"
    return f"{hint}, or leave the {kind} out"


def twice_pressure(names: Iterable[str]) -> str:
    """Words for more than one pressure; empty where there is at most one."""
    pressures = [name for name in PRESSURES if name in names]
    return f"{listed(pressures, 'and')} together" if len(pressures) > 1 else ""


def _check(names: list[str], at: str, problems: Problems) -> None:
    if len(names) == 1 and any(mark in names[0] for mark in "\t|"):
        problems.add(
            at, names[0], "one column only: the columns are not separated by commas",
            "save it as CSV, separated by commas or semicolons",
        )  # fmt: skip
        return
    for name in dict.fromkeys(names):
        if name not in KNOWN:
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
            problems.add(at, "", f"no column {name}", f"add the column {name} ({holds})")
    pressures = twice_pressure(names)
    if pressures:
        problems.add(at, "", pressures, "give the pressure once")


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
