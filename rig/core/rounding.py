# SPDX-License-Identifier: MIT
"""The only rounding rule: an uncertainty to two significant digits, its value to the same place.

JCGM 100:2008, 7.2.6. Halves go to the even digit (ISO 80000-1, annex B, rule A), judged on the
number's shortest decimal form, so that 2.675 is a half and not the binary fraction just below it.
"""

from __future__ import annotations

import math
from decimal import ROUND_HALF_EVEN, Decimal

SIGNIFICANT = 2
MOST_PLACES = 12
"""Most places of a decimal fraction; below it is arithmetic noise."""


def places(u: float | None, otherwise: int = 1) -> int:
    """Digits after the point for two significant digits of `u`; below 0 for tens, hundreds.
    `otherwise` if `u` is unknown or not above 0."""
    if u is None or not (0 < u < math.inf):
        return otherwise
    exact = Decimal(repr(float(u)))
    found = SIGNIFICANT - 1 - exact.adjusted()
    if _rounded(exact, found).adjusted() > exact.adjusted():  # 0.0996 is 0.10
        found -= 1
    return min(found, MOST_PLACES)


def fixed(value: float, digits: int) -> str:
    """`value` with this many digits after the point; below 0 for tens, hundreds; never "-0"."""
    found = _rounded(Decimal(repr(float(value))), digits)
    return f"{abs(found) if found == 0 else found:.{max(digits, 0)}f}"


def signed(value: float, digits: int) -> str:
    """The same with its sign; 0 has none."""
    text = fixed(value, digits)
    return text if text.startswith("-") or float(text) == 0 else f"+{text}"


def pair(value: float, u: float | None, otherwise: int = 1) -> tuple[str, str | None]:
    """A value and its uncertainty (standard or expanded) as texts. Without an uncertainty: the
    value with `otherwise` digits, and None."""
    digits = places(u, otherwise)
    known = u is not None and 0 < u < math.inf
    return fixed(value, digits), fixed(u, digits) if known and u is not None else None


def ends(low: float, high: float, otherwise: int = 1) -> tuple[str, str]:
    """Both ends of an interval, to two significant digits of half its width."""
    digits = places((high - low) / 2, otherwise)
    return fixed(low, digits), fixed(high, digits)


def apart(value: float, other: float, digits: int = 0) -> str:
    """`value` with as many digits more as show that it is not `other`, shown the same way."""
    most = digits if value == other else MOST_PLACES
    while digits < most and _plain(value, digits) == _plain(other, digits):
        digits += 1
    return _plain(value, digits)


def _plain(value: float, digits: int) -> str:
    return f"{round(value, digits) + 0.0:.{digits}f}"  # no minus sign before zero


def _rounded(exact: Decimal, digits: int) -> Decimal:
    return exact.quantize(Decimal(1).scaleb(-digits), ROUND_HALF_EVEN)
