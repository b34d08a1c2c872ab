# SPDX-License-Identifier: MIT
"""A setup or sheet as rows for a table: key, value, unit."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

from pydantic import BaseModel

from rig.config.files.problems import Where, dimension_of, dotted, key_of
from rig.config.setup.model import Setup
from rig.config.sheet.model import NOT_KEYS, Accept, Sheet
from rig.core.quantities import SYMBOLS
from rig.core.reader_units import units

DEFAULT_RISK = Accept.model_fields["risk"].default
HIDDEN = frozenset({"simulated"})
"""A simulated rig may have a fault that someone is to find: its table is not shown."""


class Row(NamedTuple):
    """One key with the value the program uses; `unit` is empty for words and counts.

    `where` is the path of the key in the file; a key that is not there has its default.
    """

    key: str
    value: str
    unit: str
    where: Where
    as_typed: str = ""
    """A pressure or a temperature in the unit that it was typed in."""


def describe(setup: Setup) -> list[Row]:
    """Every key of a setup, defaults included, except the simulated rig's own."""
    rows = [row for row in _rows(setup, ()) if row.where[0] not in HIDDEN and row.key != "units"]
    if setup.pressure_source is not None:
        stale = ("limits", "gauge_stale")
        value, unit = number(setup.gauge_stale_s, "time")
        rows = [Row(row.key, value, unit, stale) if row.where == stale else row for row in rows]
    return rows


def describe_sheet(sheet: Sheet) -> list[Row]:
    """Every key of a sheet, defaults included; one row for each acceptance limit."""
    rows = [row for row in _rows(sheet, ()) if row.where[0] != "accept"]
    for n, accept in enumerate(sheet.accept):
        key = f"accept[{n + 1} of {len(sheet.accept)}]"
        rows.append(Row(key, accept_text(accept), "", ("accept", n)))
    return rows


def accept_text(accept: Accept) -> str:
    """An acceptance limit in one phrase, in the unit of the results."""
    name = f"{accept.figure} ({accept.of})".replace("_", " ")
    unit = f" {accept.unit}".rstrip()
    least = [] if accept.min_value is None else [f"at least {accept.min_value:.5g}{unit}"]
    most = [] if accept.max_value is None else [f"at most {accept.max_value:.5g}{unit}"]
    kept = [f"risk {100 * accept.risk:g} %"] if accept.risk != DEFAULT_RISK else []
    kept += [f"margin {accept.margin_value:.5g}{unit}"] if accept.margin_value else []
    return ", ".join([f"{name} {' and '.join(least + most)}", *kept])


def number(value: float, dimension: str) -> tuple[str, str]:
    """A value in the unit of its dimension as text and unit, short times in ms, shares in %."""
    if dimension == "time" and abs(value) < 1:
        return f"{1e3 * value:.5g}", "ms"
    if dimension == "fraction":
        return f"{100 * value:.5g}", "%"
    return f"{value:.5g}", SYMBOLS[dimension]


def _rows(model: BaseModel, where: Where) -> Iterator[Row]:
    for name, field in type(model).model_fields.items():
        if name in NOT_KEYS:
            continue
        value: Any = getattr(model, name)
        here = (*where, key_of(name, field))
        key = dotted(None, here)
        dimension = dimension_of(field)
        if isinstance(value, BaseModel):
            yield from _rows(value, here)
        elif isinstance(value, tuple) and value and isinstance(value[0], BaseModel):
            for n, item in enumerate(value):
                for row in _rows(item, ()):
                    inside = f"{key}[{n + 1} of {len(value)}].{row.key}"
                    yield row._replace(key=inside, where=(*here, n, *row.where))
        elif value == () or value is None:
            yield Row(key, "-", "", here)
        elif dimension is not None and dimension.pair:
            texts = [number(item, dimension.name) for item in value]
            typed = _as_typed(dimension.name, *value)
            yield Row(key, " to ".join(text for text, _ in texts), texts[0][1], here, typed)
        elif dimension is not None:
            text, unit = number(value, dimension.name)
            yield Row(key, text, unit, here, _as_typed(dimension.name, value))
        else:
            yield Row(key, str(value), "", here)


def _as_typed(dimension: str, *values: float) -> str:
    if dimension not in ("pressure", "pressure_rate", "temperature"):
        return ""
    return units().as_typed(SYMBOLS[dimension], *values)
