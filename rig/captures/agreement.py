# SPDX-License-Identifier: MIT
"""Conflicts a column map must not hide: units stated in the file itself, and map entries that
nobody stated for this file."""

from __future__ import annotations

import re

from rig.captures.columns import CHANNELS, COIL, PRESSURES, SWITCH_COLUMN
from rig.captures.guess import TIME_UNITS
from rig.captures.layout import Layout
from rig.captures.mapping import TIME_ROLES, CaptureMap, Stated
from rig.captures.problems import Problems
from rig.config.files.problems import listed
from rig.config.gauge.units import table_factor
from rig.config.setup.model import Setup
from rig.core.records import CHANNEL_UNITS

_FACTORS: dict[str, tuple[str, float]] = {
    "v": ("V", 1.0), "mv": ("V", 1e-3), "volt": ("V", 1.0), "volts": ("V", 1.0),
    "a": ("A", 1.0), "ma": ("A", 1e-3), "amp": ("A", 1.0), "amps": ("A", 1.0),
    "rpm": ("rpm", 1.0), "1/min": ("rpm", 1.0), "hz": ("rpm", 60.0),
    "degc": ("degC", 1.0), "\u00b0c": ("degC", 1.0), "c": ("degC", 1.0),
    "degf": ("degF", 1.0), "\u00b0f": ("degF", 1.0), "f": ("degF", 1.0), "k": ("K", 1.0),
}  # fmt: skip
"""Units in lower case -> their base unit, and the factor to it (SI brochure)."""


def own_unit(layout: Layout, name: str) -> str:
    """The unit that the file states for a column, in a line of units or in brackets after its name;
    empty where it states none."""
    place = layout.names.index(name)
    if layout.units and layout.units[place].strip("[]() "):
        return layout.units[place].strip("[]() ")
    in_brackets = re.search(r"[\[(]([^\[\]()]*)[\])]", name)
    return in_brackets[1].strip() if in_brackets else ""


def require_units(layout: Layout, by: CaptureMap, said: Stated, problems: Problems) -> None:
    """Add a problem for every column whose unit in the map differs from the file's own. A scale is
    trusted as stated by a person."""
    if by.time is not None and by.time in layout.names:
        own = own_unit(layout, by.time)
        states = TIME_UNITS.get(own.casefold())
        if states is not None and states != by.time_unit:
            role = _time_role(by.time_unit)
            problems.add(
                f'column "{by.time}"', own, f"mapped as {role}, and the file's own unit is {own}",
                f'write --map {_time_role(states)}="{by.time}", or mend the unit in the file',
            )  # fmt: skip
    for role, column in by.signals.items():
        wanted = _unit_of(role)
        own = own_unit(layout, column.name) if column.name in layout.names else ""
        known = _counted(own)
        if wanted is None or known is None or column.scale != 1.0 or role in said.scales:
            continue
        factor = _factor(known, wanted)
        if factor is None or abs(factor - 1.0) > 1e-9:
            remedy = "map another column, or mend the unit in the file"
            if factor is not None:
                better = next((r for r, unit in PRESSURES.items() if unit.casefold() ==
                               own.casefold()), None) if role in PRESSURES else None  # fmt: skip
                remedy = (
                    f'write --map {better}="{column.name}"'
                    if better
                    else f"add --scale {role}={factor:.7g}"
                ) + ", or mend the unit in the file"
            problems.add(
                f'column "{column.name}"', own,
                f"mapped as {role} ({wanted}), and the file's own unit is {own}", remedy,
            )  # fmt: skip


def remarks(by: CaptureMap, said: Stated, setup: Setup, *, kept: bool) -> tuple[str, ...]:
    """Sentences on map entries that nobody stated for this file: what a map that was `kept` adds to
    the options given, and a line inverted because of the setup."""
    found = []
    time_said = bool(set(said.columns) & set(TIME_ROLES)) or said.rate_hz is not None
    before = [role for role in by.signals if role not in said.columns]
    if by.time is not None and not time_said:
        before.insert(0, _time_role(by.time_unit))
    if kept and before:
        now = f" Stated now: {listed(said.columns, 'and')}." if said.columns else ""
        found.append(
            f"From a map confirmed before for files of this kind: {listed(before, 'and')}.{now}"
        )
    closed, live = setup.switch_closed_level, setup.coil_live_level
    for role, level, state in ((SWITCH_COLUMN, closed, "a closed contact"), (COIL, live, "a live "
                                                                            "coil")):  # fmt: skip
        column = by.signals.get(role)
        if column is not None and column.inverted and role not in said.columns and not level:
            found.append(
                f'{role} is read inverted ("not {column.name}"): by the setup {state} reads low. '
                "Nobody stated it of this file; look at the first strokes."
            )
    return tuple(found)


def _time_role(unit: str) -> str:
    return next(role for role, of in TIME_ROLES.items() if of == unit)


def _unit_of(role: str) -> str | None:
    if role in PRESSURES:
        return PRESSURES[role]
    return CHANNEL_UNITS[CHANNELS[role]] if role in CHANNELS else None


def _counted(own: str) -> tuple[str, float] | None:
    """The base unit of a unit (kPa for pressures), and the factor to it; None where it is not
    known."""
    plain = own.casefold().strip()
    if plain in _FACTORS:
        return _FACTORS[plain]
    factor = table_factor(own) if own else None
    return None if factor is None else ("kPa", factor)


def _factor(known: tuple[str, float], wanted: str) -> float | None:
    """The factor from the column's numbers to the wanted unit; None for another dimension."""
    target = _counted(wanted)
    return known[1] / target[1] if target is not None and target[0] == known[0] else None
