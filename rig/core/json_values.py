# SPDX-License-Identifier: MIT
"""Results as JSON values: named tuples become objects, numbers are rounded, unknowns become
null."""

from __future__ import annotations

import math
from typing import Any

DIGITS = 6
JsonObject = dict[str, Any]
"""A decoded JSON object from a file or another process: whoever reads it checks its fields."""


def plain(value: object, digits: int = DIGITS) -> Any:
    """`value` as JSON: a named tuple becomes an object of its fields, any other tuple a list, NaN
    and infinity null. Small probabilities survive: `p` has six significant digits."""
    match value:
        case None | bool() | int() | str():
            return value
        case float():
            if not math.isfinite(value):
                return None
            return float(f"{value:.6g}") if abs(value) < 1e-3 else round(value, digits)
        case tuple() if hasattr(value, "_fields"):
            names = value._fields
            if names == ("low", "high"):
                return [plain(item, digits) for item in value]
            return {name: plain(item, digits) for name, item in zip(names, value, strict=True)}
        case tuple() | list():
            return [plain(item, digits) for item in value]
        case dict():
            return {name: plain(item, digits) for name, item in value.items()}
    raise TypeError(f"no JSON for {type(value).__name__}")
