# SPDX-License-Identifier: MIT
"""Parse a limit as a person writes it."""

from __future__ import annotations

from rig.config.quantity_types import read_quantity, refuse
from rig.core.figures import FIGURES, MEASURES


def read_limit(value: object, name: str) -> float:
    """A limit as written, in the unit of the results. Raises the error a validator raises."""
    figure = FIGURES[name]
    if figure.quantity != "count":
        number = read_quantity(value, figure.quantity) * MEASURES[figure.quantity].per_si
        if figure.quantity == "time" and number < 0:
            raise refuse(
                "a time limit below zero holds nothing", f"write one like {figure.example}"
            )
        return number
    how = f"write a plain number without quotes, like {figure.example}"
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise refuse(f"{name} is counted, so its limit is a plain number", how)
    if not 0 <= value <= 1e9:  # refuses NaN too
        raise refuse("a count is a finite number, not below zero", how)
    return float(value)
