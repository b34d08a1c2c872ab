# SPDX-License-Identifier: MIT
"""Quantities as people write them ("45 psi"), turned into SI floats once, at the edges.

The one pint registry lives here and is loaded only when a text is parsed: it costs half a second
on a small board. Inside the program a number carries its unit in its name instead.
"""

from __future__ import annotations

import functools
import math
import re
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    import pint

# What each dimension is held in, inside the program, and an example a person can copy.
DIMENSIONS: dict[str, tuple[str, str]] = {
    "pressure": ("kilopascal", "45 psi"),
    "pressure_rate": ("kilopascal / second", "20 psi/s"),
    "time": ("second", "250 ms"),
    "current": ("ampere", "5 A"),
    "voltage": ("volt", "12.6 V"),
    "resistance": ("ohm", "14.5 ohm"),
    "inductance": ("henry", "40 mH"),
    "temperature": ("degree_Celsius", "90 degC"),
    "fraction": ("dimensionless", "50 %"),
    "frequency": ("hertz", "10 Hz"),
    "rotation": ("revolution / minute", "750 rpm"),
    "viscosity": ("millimeter ** 2 / second", "73 mm^2/s"),
    "volume": ("centimeter ** 3", "40 cm^3"),
    "length": ("millimeter", "1.2 mm"),
    "area": ("millimeter ** 2", "2.5 mm^2"),
    "mass": ("gram", "12 g"),
    "force": ("newton", "8 N"),
    "flow": ("liter / minute", "2 l/min"),
}

# A number first, then a unit that is not another number. Everything else is refused, so that
# "nan", "1_000" and "1e400" never become a limit.
_QUANTITY = re.compile(
    r"^\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*([^\d\s.+-].*?)?\s*$"
)


class QuantityError(ValueError):
    """A text that is not a quantity of the wanted dimension; the message says what to write."""


class Quantity(NamedTuple):
    """A parsed quantity: `value` in the unit of its dimension, `text` as it was written."""

    value: float
    text: str


@functools.cache
def registry() -> pint.UnitRegistry[float]:
    """The program's only pint registry."""
    import pint

    ureg: pint.UnitRegistry[float] = pint.UnitRegistry(autoconvert_offset_to_baseunit=False)
    ureg.define("@alias psi = psig")
    pint.set_application_registry(ureg)  # type: ignore[no-untyped-call]
    return ureg


@functools.lru_cache(maxsize=512)
def parse(text: str, dimension: str) -> float:
    """Parse `text` and return it in the unit of `dimension` (a key of DIMENSIONS).

    Raises QuantityError where there is no number, no unit, an unknown unit, another dimension,
    or a value that is not finite. Gauge and absolute pressure are not told apart by the unit:
    every pressure of the rig is gauge pressure.
    """
    unit_name, example = DIMENSIONS[dimension]
    match = _QUANTITY.match(text)
    if match is None:
        raise QuantityError(f'"{text}" is not a number with a unit; write it like "{example}"')
    number, unit = float(match.group(1)), match.group(2) or ""
    if not unit and dimension != "fraction":
        raise QuantityError(f'"{text}" has no unit; write it like "{example}"')
    if not math.isfinite(number):
        raise QuantityError(f'"{text}" is not a finite number')
    return _convert(number, unit, unit_name, text, dimension)


def convert(value: float, unit: str, dimension: str) -> float:
    """Convert a number with a unit text into the unit of `dimension`; raises QuantityError."""
    return _convert(value, unit, DIMENSIONS[dimension][0], f"{value} {unit}", dimension)


def _convert(number: float, unit: str, unit_name: str, text: str, dimension: str) -> float:
    import pint

    ureg, example = registry(), DIMENSIONS[dimension][1]
    try:
        # "%" is written without a space by people and refused with one by some pint versions
        wanted = ureg.Quantity(number, unit.replace("%", "percent") or "dimensionless")
        value = float(wanted.to(unit_name).magnitude)
    except pint.errors.DimensionalityError as error:
        raise QuantityError(
            f'"{text}" is not a {dimension.replace("_", " ")}; write it like "{example}"'
        ) from error
    except Exception as error:  # pint raises many kinds on a malformed unit
        raise QuantityError(f'"{unit}" is not a known unit; write it like "{example}"') from error
    if not math.isfinite(value):
        raise QuantityError(f'"{text}" is not a finite number')
    return value
