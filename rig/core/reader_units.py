# SPDX-License-Identifier: MIT
"""The reader's own units: pressure in kPa, bar or psi, temperature in degC or degF.

Inside the program, in the log and in JSON, TSV and CSV everything is kPa and degC. What goes to a
person passes through `units()`, set once for a command or a request of the page: `value` for a
number whose unit stands elsewhere, `words` for a sentence.
"""

from __future__ import annotations

import math
import re
from contextvars import ContextVar
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal, cast, get_args

from rig.core.quantities import UNITS, QuantityError
from rig.core.rounding import fixed

Pressure = Literal["kPa", "bar", "psi"]
Temperature = Literal["degC", "degF"]
PRESSURES: tuple[Pressure, ...] = get_args(Pressure)
TEMPERATURES: tuple[Temperature, ...] = get_args(Temperature)

DEGF_PER_K = 1.8
DEGF_AT_0_DEGC = 32.0
"""NIST SP 811 (2008), B.8: t/degC = (t/degF - 32) / 1.8."""

HOW = 'write a pressure unit, a temperature unit, or both: "psi", "degF", "bar,degC"'
_POWERS = {"kPa": 1, "kPa/s": 1, "kPa/ms": 1, "ms/kPa": -1}
_TEMPERATURES = ("degC", "°C")
_SHORT = 1e-9
"""Relative distance from a short decimal within which a stored value was typed as that."""
_FAR = 0.05
"""Nor is the number itself left by more than this share: 1 kPa is 0.15 psi, not 0.1 psi."""
_ROUND = 1e-3
"""Share by which a round limit may be left, so that it stays round."""
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_QUANTITY = re.compile(
    r'(?P<kept>`[^`]*`|"[^"]*")'  # to be typed, or quoted as typed
    r"|(?<![\w.])(?P<apart>± ?|plus or minus )?"
    rf"(?P<first>{_NUMBER})(?:(?P<link> to | and | or )(?P<second>{_NUMBER}))?"
    r"(?P<gap> ?)(?P<unit>kPa/s|kPa|degC|°C)(?![\w/*^])"
)


@dataclass(frozen=True)
class Units:
    """The units that a reader chose."""

    pressure: Pressure = "kPa"
    temperature: Temperature = "degC"

    def __str__(self) -> str:
        return f"{self.pressure},{self.temperature}"

    def unit(self, si: str) -> str:
        """The reader's unit in place of this one of the program; any other stays."""
        if si in _POWERS:
            return si.replace("kPa", self.pressure)
        return si.replace("C", self.temperature[-1]) if si in _TEMPERATURES else si

    def value(self, value: float, si: str) -> float:
        """`value`, given in `si`, in the reader's unit."""
        if si in _TEMPERATURES and self.temperature == "degF":
            return DEGF_PER_K * value + DEGF_AT_0_DEGC
        return self.difference(value, si)

    def difference(self, value: float, si: str) -> float:
        """The same for a difference, a spread or an uncertainty: without the zero of degF."""
        return value * self._times(si)

    def digits(self, si: str, digits: int) -> int:
        """Digits after the point that say as much as `digits` do in `si`."""
        return max(0, digits - round(math.log10(self._times(si))))

    def text(self, value: float, si: str, digits: int) -> str:
        """`value` with its unit, as fine as with this many digits after the point in `si`."""
        shown = fixed(self.value(value, si), self.digits(si, digits))
        return f"{shown} {self.unit(si)}"

    def words(self, sentence: str) -> str:
        """A sentence of the program with each quantity in the reader's units.

        A number becomes the shortest decimal that stands for no more and no less: one that,
        converted back and rounded as it was, gives the number in the sentence. So "552 kPa" is
        80 psi, and two values that differ in the sentence still do. What stands between back-ticks
        or double quotes is to be typed, or was: it stays.
        """
        return self._in_words(sentence, 0.0)

    def range_words(self, sentence: str) -> str:
        """The same for limits that the program sets: round numbers, and no more exact in the
        reader's unit. 100000 kPa is 14500 psi, not 14503.8 psi."""
        return self._in_words(sentence, _ROUND)

    def _in_words(self, sentence: str, share: float) -> str:
        if self == SI:
            return sentence
        return _QUANTITY.sub(lambda match: self._said(match, share), sentence)

    def as_typed(self, si: str, *values: float) -> str:
        """A value that a person typed, or the ends of a range, in the unit that it was typed in.

        The log keeps the SI value alone, but it tells the unit: 303.369... kPa is 44 psi to the
        last bit, and a short number in no other unit. Of several such the reader's is taken; where
        there is none, the value is rounded to four significant digits.
        """
        others = [Units(pressure=one) for one in PRESSURES]
        others += [Units(temperature=one) for one in TEMPERATURES]
        if si in _POWERS or si in _TEMPERATURES:
            for one in (self, *others):
                exact = [one.value(value, si) for value in values]
                short = [round(value, 1 if si in _TEMPERATURES else 2) for value in exact]
                if all(map(_alike, exact, short)):
                    return f"{' to '.join(f'{value:.7g}' for value in short)} {one.unit(si)}"
        ends = " to ".join(f"{self.value(value, si):.4g}" for value in values)
        return f"{ends} {self.unit(si)}".rstrip()

    def _times(self, si: str) -> float:
        """How many of the reader's units make one of `si`, without an offset."""
        if si in _POWERS:
            return cast(float, UNITS["pressure"][self.pressure]) ** -_POWERS[si]
        return DEGF_PER_K if si in _TEMPERATURES and self.temperature == "degF" else 1.0

    def _said(self, match: re.Match[str], share: float) -> str:
        if match["kept"]:
            return match[0]
        si, apart = match["unit"], match["apart"] or ""
        first = self._shortest(match["first"], si, share, difference=bool(apart))
        second = match["second"] and self._shortest(match["second"], si, share, difference=False)
        return f"{apart}{first}{match['link'] or ''}{second or ''}{match['gap']}{self.unit(si)}"

    def _shortest(self, text: str, si: str, share: float, *, difference: bool) -> str:
        if self.unit(si) == si:
            return text
        to_reader = self.difference if difference else self.value
        exact = Decimal(text)
        half = Decimal(1).scaleb(cast(int, exact.as_tuple().exponent)) / 2
        ends = (exact - half, exact, exact + half)
        low, middle, high = (to_reader(float(one), si) for one in ends)
        if share and middle:
            low, high = middle - share * abs(middle), middle + share * abs(middle)
        first = min(0, -math.floor(math.log10(max(abs(low), abs(high)))))
        shown = next(
            shown for digits in range(first, first + 20)
            if low <= float(shown := fixed(middle, digits)) <= high
            and abs(float(shown) - middle) <= _FAR * abs(middle)
        )  # fmt: skip
        return f"+{shown}" if text.startswith("+") and float(shown) > 0 else shown


def _alike(exact: float, short: float) -> bool:
    return math.isclose(exact, short, rel_tol=_SHORT, abs_tol=_SHORT)


SI = Units()
"""What the program computes with, and shows where nobody chose."""

_READER: ContextVar[Units | None] = ContextVar("the reader's units", default=None)


def units() -> Units:
    """The units of whoever reads what this command or request shows."""
    return _READER.get() or SI


def use(chosen: Units | None) -> None:
    """Set them for this command or request; None: nobody chose."""
    _READER.set(chosen)


def use_unless_chosen(found: Units | None) -> None:
    """Set those of a setup, where the reader chose none."""
    if _READER.get() is None:
        _READER.set(found)


def read_choice(text: str) -> Units:
    """The units of a choice like "psi" or "bar,degF". Raises QuantityError."""
    names = [name.strip() for name in text.split(",")]
    pressures = [one for one in PRESSURES if one in names]
    temperatures = [one for one in TEMPERATURES if one in names]
    unknown = [one for one in names if one not in (*PRESSURES, *TEMPERATURES)]
    if unknown:
        known = ", ".join((*PRESSURES, *TEMPERATURES))
        raise QuantityError(f'"{unknown[0]}" is not one of {known}', HOW)
    if len(pressures) > 1 or len(temperatures) > 1:
        raise QuantityError(f'"{text}" names two units for one quantity', HOW)
    return Units((*pressures, SI.pressure)[0], (*temperatures, SI.temperature)[0])


def of_setup_text(text: str) -> Units | None:
    """The `[units]` table of a setup's text, without reading the rest of it; None if there is
    none, or it is no good (whoever loads the setup says so)."""
    if "[units]" not in text:
        return None
    import tomllib

    try:
        return read_choice(",".join(tomllib.loads(text)["units"].values()))
    except (tomllib.TOMLDecodeError, QuantityError, TypeError, KeyError, AttributeError):
        return None
