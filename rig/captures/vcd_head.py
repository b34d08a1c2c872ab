# SPDX-License-Identifier: MIT
"""The declarations of a value change dump: which of its signals are ours."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from rig.captures.columns import COIL, COMMAND, NEEDED, PRESSURES, SIGNALS, SWITCH_COLUMN
from rig.captures.csv_head import channel_of, twice_pressure
from rig.captures.problems import Problems, shown
from rig.config.files.problems import listed, nearest
from rig.core.records import CHANNEL_UNITS

BITS = (COMMAND, COIL, SWITCH_COLUMN)
GOODS = {f"{channel}_good": channel for channel in CHANNEL_UNITS}
"""Wires that say whether the readings of a channel are valid, as in our own export."""

NAMES = tuple(dict.fromkeys((*SIGNALS, *GOODS)))
NAMES_SHOWN = 8


@dataclass
class Signal:
    """A signal of the dump that the rig knows. `known`: it has had a 0 or 1."""

    name: str
    is_reading: bool
    channel: str = ""
    factor: float = 1.0
    good_of: str = ""
    """The channel whose validity it carries; empty for others."""
    known: bool = False


def signals_of(declared: Iterable[tuple[Any, int]], problems: Problems) -> dict[str, Signal]:
    """Our signals by id code. `declared` holds pyvcd's declarations with their lines.

    Names are matched without their scope, ignoring case. Other signals are left out, unless their
    name looks like a misspelt one. Adds a problem for anything missing, doubled or of the wrong
    kind.
    """
    found: dict[str, Signal] = {}
    lines: dict[str, tuple[str, int]] = {}
    others: list[str] = []
    for var, line in declared:
        name = var.reference.casefold()
        if name not in NAMES:
            others.append(var.reference)
            _misspelt(name, line, problems)
            continue
        if name in lines and lines[name][0] != var.id_code:
            problems.add(
                f"line {line}", var.reference, f"a second signal of this name (line "
                f"{lines[name][1]} has the first)", "rename or leave out one of the two",
            )  # fmt: skip
            continue
        lines[name] = (var.id_code, line)
        if var.id_code in found and found[var.id_code].name != name:
            problems.add(
                f"line {line}",
                var.reference,
                f"the same signal (id {shown(var.id_code)}) is {found[var.id_code].name} too",
                "give each its own",
            )
            continue
        found[var.id_code] = _signal(name, var, line, problems)
    for name, holds in NEEDED.items():
        if name not in lines:
            there = ", ".join(shown(other) for other in others[:NAMES_SHOWN])
            problems.add(
                "", "", f"no signal {name}",
                f"name the signal {name} ({holds})"
                + (f"; the file has {there}{', ...' * (len(others) > NAMES_SHOWN)}" * bool(there)),
            )  # fmt: skip
    pressures = twice_pressure(lines)
    if pressures:
        problems.add("", "", pressures, "give the pressure once")
    return found


def _signal(name: str, var: Any, line: int, problems: Problems) -> Signal:
    real = var.type_.value in ("real", "realtime")
    if name in BITS or name in GOODS:
        if real or var.size != 1:
            problems.add(
                f"line {line}", var.reference, f"{var.type_.value} of {var.size} bits",
                "give it as a wire of one bit",
            )  # fmt: skip
        return Signal(name, False, good_of=GOODS.get(name, ""))
    if not real:
        problems.add(
            f"line {line}", var.reference, f"{var.type_.value}, not real",
            "give readings as a signal of type real, in the unit of its name",
        )  # fmt: skip
    channel, factor = channel_of(name)
    return Signal(name, True, channel, factor)


def _misspelt(name: str, line: int, problems: Problems) -> None:
    if name == "pressure":
        problems.add(
            f"line {line}", name, "a pressure without its unit", f"name it {listed(PRESSURES)}"
        )
        return
    near = nearest(name, NAMES)
    # a loose likeness is no reason to refuse another instrument's channel
    if near is not None and abs(len(near) - len(name)) <= 1 and near[0] == name[0]:
        problems.add(
            f"line {line}", name, "unknown signal, much like one of ours",
            f"name it {near}, or something else",
        )  # fmt: skip
