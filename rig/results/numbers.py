# SPDX-License-Identifier: MIT
"""Numbers as JSON: rounded, and null for "not known" in any form."""

from __future__ import annotations

import math
from typing import overload

import numpy as np

from rig.core.recording import Float

KPA_DIGITS = 4
"""Decimals of pressures: finer than any gauge resolves."""
MS_DIGITS = 6
"""Decimals of milliseconds: nanoseconds, as recorded."""


@overload
def number(value: float, digits: int = MS_DIGITS) -> float: ...
@overload
def number(value: float | None, digits: int = MS_DIGITS) -> float | None: ...
def number(value: float | None, digits: int = MS_DIGITS) -> float | None:
    """A float with this many decimals; None for None, NaN and infinity."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits) + 0.0  # never -0.0


def floats(values: Float, digits: int = MS_DIGITS) -> list[float | None]:
    """The same of a column (n,)."""
    finite = np.isfinite(values)
    rounded = np.round(np.where(finite, values, 0.0), digits).tolist()
    return [v if ok else None for v, ok in zip(rounded, finite.tolist(), strict=True)]
