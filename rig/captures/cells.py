# SPDX-License-Identifier: MIT
"""Parse cells of a capture: exact nanoseconds, 0 or 1, plain numbers. Each raises CellError."""

from __future__ import annotations

import math
import re
from decimal import Decimal

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_PLAIN = re.compile(r"([+-]?)([0-9]{1,10})(?:\.([0-9]*))?")
MAX_S = 9_000_000_000
"""Maximum seconds in an int64 of nanoseconds, about 285 years."""


class CellError(ValueError):
    """An unusable cell: `what` is wrong with it, and the `remedy`."""

    def __init__(self, what: str, remedy: str) -> None:
        self.what, self.remedy = what, remedy
        super().__init__(what, remedy)


def time_ns(text: str, digits: int) -> int:
    """A time as integer nanoseconds; `digits` is the number of decimals in a nanosecond (9 for s, 6
    for ms).

    Parsed from the decimal digits, never through a float; finer digits are rounded.
    """
    plain = _PLAIN.fullmatch(text)
    if plain is not None and len(plain[3] or "") <= digits:
        ns = int(plain[2] + (plain[3] or "").ljust(digits, "0"))
        if ns > MAX_S * 10**9:
            raise CellError("too large a time", "count the time from the start of the capture")
        return -ns if plain[1] == "-" else ns
    if not text:
        raise CellError("no time", "give a time in every row")
    exact = Decimal(_number(text)).scaleb(digits)
    if abs(exact) > MAX_S * 10**9:
        raise CellError("too large a time", "count the time from the start of the capture")
    return round(exact)


WORDS = {
    **dict.fromkeys(("true", "on", "high", "hi", "h", "yes", "closed"), 1),
    **dict.fromkeys(("false", "off", "low", "lo", "l", "no", "open"), 0),
}
"""Words that instruments use for the two states of a line (common practice, no source)."""


def bit(text: str) -> int:
    """0 or 1, or TRUE or FALSE."""
    if text in ("0", "1"):
        return int(text)
    if text.casefold() in ("true", "false"):
        return WORDS[text.casefold()]
    if _NUMBER.fullmatch(text) and float(text) in (0.0, 1.0):
        return int(float(text))
    raise CellError("neither 0 nor 1", "write 1 or 0, or leave the cell blank for no new value")


def state(text: str) -> int:
    """0 or 1, or one of the words for two states."""
    found = WORDS.get(text.casefold())
    if found is not None:
        return found
    if _NUMBER.fullmatch(text) and float(text) not in (0.0, 1.0):
        raise CellError("a level, neither 0 nor 1", "give --threshold SIGNAL=LOW..HIGH")
    return bit(text)


def value(text: str) -> float:
    """A finite number."""
    number = float(_number(text))
    if not math.isfinite(number):
        raise CellError("too large a number", "give a pressure or other value that can be real")
    return number


def _number(text: str) -> str:
    if _NUMBER.fullmatch(text):
        return text
    if text.casefold().lstrip("+-") in ("nan", "inf", "infinity"):
        raise CellError("not a finite number", "leave the cell blank where there is no value")
    if "," in text:
        raise CellError("not a number", "write the decimal sign as a point")
    raise CellError("not a number", "write a plain number like 0.125, without a unit")
