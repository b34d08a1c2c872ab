# SPDX-License-Identifier: MIT
"""Pressure units as gauges show them, as exact factors to kPa.

The bench needs them without loading pint, which costs half a second on a small board. Every
pressure of the rig is gauge pressure; a unit that says "absolute" is refused.

Factors: NIST Special Publication 811 (2008), Appendix B.8, from the exact definitions of inch,
pound-force, standard gravity and atmosphere; mercury and water columns are the conventional ones.
"""

from __future__ import annotations

import functools
from fractions import Fraction

_PSI = Fraction("4.4482216152605") / Fraction("0.0254") ** 2
_PA: dict[str, Fraction] = {
    "pa": Fraction(1),
    "hpa": Fraction(100),
    "kpa": Fraction(1_000),
    "mpa": Fraction(1_000_000),
    "bar": Fraction(100_000),
    "mbar": Fraction(100),
    "psi": _PSI,
    "lbf/in2": _PSI,
    "lb/in2": _PSI,  # as many displays write it
    "kgf/cm2": Fraction("98066.5"),
    "kg/cm2": Fraction("98066.5"),  # as many displays write kgf/cm2
    "atm": Fraction(101_325),
    "torr": Fraction(101_325, 760),
    "mmhg": Fraction("13.5951") * Fraction("9.80665"),
    "inhg": Fraction("13.5951") * Fraction("9.80665") * Fraction("25.4"),
    "mmh2o": Fraction("9.80665"),
    "inh2o": Fraction("9.80665") * Fraction("25.4"),
}
_KPA: dict[str, float] = {unit: float(pascal / 1000) for unit, pascal in _PA.items()}

KNOWN_UNITS = "psi, kPa, bar, mbar, MPa, hPa, Pa, kgf/cm2, inHg, mmHg, torr, inH2O, mmH2O, atm"

_GAUGE = ("(g)", "g")
_ABSOLUTE = ("(a)", "abs", "a")


class UnitError(ValueError):
    """Not a unit of gauge pressure: `what` is wrong, and the `remedy`."""

    def __init__(self, what: str, remedy: str) -> None:
        self.what, self.remedy = what, remedy
        super().__init__(what, remedy)

    def __str__(self) -> str:
        return f"{self.what}; {self.remedy}"


def _plain(text: str) -> str:
    """The unit as the table spells it; handles UTF-8 seen as Latin-1 and a superscript two."""
    for found, instead in (("\xc2\xb2", "2"), ("\xb2", "2"), ("^", ""), (" ", "")):
        text = text.replace(found, instead)
    return "millipascal" if text == "mPa" else text.casefold()


@functools.lru_cache(maxsize=256)
def table_factor(text: str) -> float | None:
    """Factor to kPa of a unit text from the table alone; None if it is not there.

    Never loads pint, so it may be called from the bench's loop.
    """
    unit = _plain(text)
    if unit in _KPA:
        return _KPA[unit]
    for ending in _GAUGE:
        if unit.endswith(ending) and unit.removesuffix(ending) in _KPA:
            return _KPA[unit.removesuffix(ending)]
    return None


def factor_kpa(text: str) -> float:
    """Factor to kPa of a unit as a person writes it; pint is used for units not in the table.

    Raises UnitError for an absolute pressure, another dimension, or an unknown unit.
    """
    factor = table_factor(text)
    if factor is not None:
        return factor
    unit = _plain(text)
    if unit == "millipascal":
        raise UnitError('"mPa" is millipascal', 'write "MPa" for megapascal')
    for ending in _ABSOLUTE:
        if unit.endswith(ending) and unit.removesuffix(ending) in _KPA:
            raise UnitError(
                f'"{text}" is absolute pressure; the rig works in gauge pressure',
                "set the gauge to show gauge pressure, and write that unit",
            )
    from rig.core.quantities import QuantityError, convert

    try:
        factor = convert(1.0, text, "pressure")
    except QuantityError as error:
        raise UnitError(
            f'"{text}" is not a unit of pressure', f"write one of {KNOWN_UNITS}"
        ) from error
    return factor
