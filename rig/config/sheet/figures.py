# SPDX-License-Identifier: MIT
"""The figures a sheet may set limits for: their kind of sheet, unit and sensible `of`."""

from __future__ import annotations

from typing import Any, NamedTuple

from rig.config.quantity_types import read_quantity, refuse


class Figure(NamedTuple):
    """`dimension` is a key of rig.core.quantities.DIMENSIONS, or "count"; `per_si` turns the SI
    value into `unit`, the unit of the results."""

    kind: str
    dimension: str
    unit: str
    per_si: float
    of: tuple[str, ...]
    example: str


_PER_STROKE = ("each", "mean", "median", "p95", "tolerance")

FIGURES: dict[str, Figure] = {
    "response": Figure("strokes", "time", "ms", 1e3, _PER_STROKE, '"150 ms"'),
    "release": Figure("strokes", "time", "ms", 1e3, _PER_STROKE, '"150 ms"'),
    "bounce": Figure("strokes", "count", "", 1.0, _PER_STROKE, "4"),
    "missed": Figure("strokes", "count", "", 1.0, ("total",), "0"),
    "actuation_pressure": Figure("ramp", "pressure", "kPa", 1.0, _PER_STROKE, '"20 psi"'),
    "reset_pressure": Figure("ramp", "pressure", "kPa", 1.0, _PER_STROKE, '"14 psi"'),
    "differential": Figure("ramp", "pressure", "kPa", 1.0, _PER_STROKE, '"6 psi"'),
    "decay_rate": Figure("hold", "pressure_rate", "kPa/s", 1.0, ("each",), '"2 psi/s"'),
}


def read_limit(value: Any, name: str) -> float:
    """A limit as written, in the unit of the results. Raises the error a validator raises."""
    figure = FIGURES[name]
    if figure.dimension != "count":
        number = read_quantity(value, figure.dimension) * figure.per_si
        if figure.dimension == "time" and number < 0:
            raise refuse(
                "a time limit below zero holds nothing", f"write one like {figure.example}"
            )
        return number
    how = f"write a plain number without quotes, like {figure.example}"
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise refuse(f"{name} is counted, so its limit is a plain number", how)
    if not 0 <= value <= 1e9:  # NaN too is refused
        raise refuse("a count is a finite number, not below zero", how)
    return float(value)
