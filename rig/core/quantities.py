# SPDX-License-Identifier: MIT
"""Quantities as people write them ("45 psi"), converted to SI floats once, at the edges.

The only pint registry is here, loaded only for a unit not in UNITS: loading costs half a second on
a small board. Inside the program, a number has its unit in its name instead.
"""

from __future__ import annotations

import functools
import math
import re
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    import pint

# The unit used for each dimension inside the program, and an example to copy.
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
    "dynamic_viscosity": ("millipascal * second", "12 mPa*s"),
    "density": ("kilogram / meter ** 3", "870 kg/m^3"),
    "volume": ("centimeter ** 3", "40 cm^3"),
    "length": ("millimeter", "1.2 mm"),
    "area": ("millimeter ** 2", "2.5 mm^2"),
    "mass": ("gram", "12 g"),
    "force": ("newton", "8 N"),
    "temperature_rate": ("kelvin / minute", "-1.5 K/min"),
    "thermal_resistance": ("kelvin / watt", "8 K/W"),
    "flow": ("liter / minute", "2 l/min"),
    "time_per_pressure": ("millisecond / kilopascal", "0.5 ms/psi"),
    "time_per_voltage": ("millisecond / volt", "1.2 ms/V"),
    "time_per_temperature": ("millisecond / kelvin", "0.3 ms/K"),
    "time_per_rotation": ("millisecond / (revolution / minute)", "0.01 ms/rpm"),
    "power": ("watt", "5 W"),
}

# The units of DIMENSIONS as printed beside a number.
SYMBOLS: dict[str, str] = {
    "pressure": "kPa",
    "pressure_rate": "kPa/s",
    "time": "s",
    "current": "A",
    "voltage": "V",
    "resistance": "ohm",
    "inductance": "H",
    "temperature": "degC",
    "fraction": "",
    "frequency": "Hz",
    "rotation": "rpm",
    "viscosity": "mm^2/s",
    "dynamic_viscosity": "mPa*s",
    "density": "kg/m^3",
    "volume": "cm^3",
    "length": "mm",
    "area": "mm^2",
    "mass": "g",
    "force": "N",
    "temperature_rate": "K/min",
    "thermal_resistance": "K/W",
    "flow": "l/min",
    "time_per_pressure": "ms/kPa",
    "time_per_voltage": "ms/V",
    "time_per_temperature": "ms/K",
    "time_per_rotation": "ms/rpm",
    "power": "W",
}

# Units a person may want, in the accepted spelling, suggested when another was written. Each has
# its factor to the unit of DIMENSIONS, as pint has it, or None if there is an offset. With this
# table most files are read without pint, which takes as long to load as a run takes to analyse.
UNITS: dict[str, dict[str, float | None]] = {
    "pressure": {
        "psi": 6.894757293168363,
        "kPa": 1.0,
        "bar": 100.0,
        "mbar": 0.1,
        "MPa": 1000.0,
        "kgf/cm^2": 98.0665,
        "inHg": 3.386388640341,
    },
    "pressure_rate": {
        "psi/s": 6.894757293168363,
        "kPa/s": 1.0,
        "bar/s": 100.0,
        "psi/min": 0.11491262155280606,
        "kPa/min": 0.016666666666666666,
    },
    "time": {"ms": 0.001, "s": 1.0, "min": 60.0, "us": 1e-06},
    "current": {"A": 1.0, "mA": 0.001},
    "voltage": {"V": 1.0, "mV": 0.001},
    "resistance": {"ohm": 1.0, "kohm": 1000.0, "mohm": 0.001},
    "inductance": {"mH": 0.001, "uH": 1e-06, "H": 1.0},
    "temperature": {"degC": 1.0, "degF": None, "K": None},
    "fraction": {"%": 0.01},
    "frequency": {"Hz": 1.0, "kHz": 1000.0},
    "rotation": {"rpm": 1.0},
    "viscosity": {"mm^2/s": 1.0, "cSt": 1.0},
    "dynamic_viscosity": {"mPa*s": 1.0, "cP": 1.0, "Pa*s": 1000.0},
    "density": {"kg/m^3": 1.0, "g/cm^3": 1000.0, "kg/l": 1000.0},
    "volume": {"cm^3": 1.0, "ml": 1.0, "l": 1000.0},
    "length": {"mm": 1.0, "um": 0.001, "m": 1000.0},
    "area": {"mm^2": 1.0, "cm^2": 100.0},
    "mass": {"g": 1.0, "kg": 1000.0},
    "force": {"N": 1.0, "lbf": 4.4482216152605},
    "temperature_rate": {"K/min": 1.0},
    "thermal_resistance": {"K/W": 1.0},
    "flow": {"l/min": 1.0, "ml/s": 0.06, "gal/min": 3.785411784},
    "time_per_pressure": {"ms/psi": 0.1450377377302092, "ms/kPa": 1.0, "ms/bar": 0.01},
    "time_per_voltage": {"ms/V": 1.0},
    "time_per_temperature": {"ms/K": 1.0},
    "time_per_rotation": {"ms/rpm": 1.0},
    "power": {"W": 1.0, "mW": 0.001},
}

# A number, then a unit that is not another number. Anything else is refused, so that "nan", "1_000"
# and "1e400" never become a limit.
_QUANTITY = re.compile(
    r"^\s*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?)\s*([^\d\s.+\-_,'].*?)?\s*$"
)
_DECIMAL_COMMA = re.compile(r"^\s*[+-]?[0-9]+,[0-9]+")
_LONGEST = 80
# Names, each with at most one small exponent: pint computes whatever it is given and would never
# finish "kPa**9**9**9".
_NAME = r"(?:%|[°µμ]?[^\W\d_]+(?:[_0-9][^\W\d_]+)*)(?:(?:\^|\*\*)\s?-?[1-9]|[²³])?"
_UNIT = re.compile(rf"{_NAME}(?:\s?[*/·]\s?{_NAME}|\s{_NAME}){{0,5}}")


class QuantityError(ValueError):
    """A text that is not a quantity of the required dimension: `what` is wrong, and the
    `remedy`."""

    def __init__(self, what: str, remedy: str) -> None:
        self.what = what
        self.remedy = remedy
        super().__init__(what, remedy)

    def __str__(self) -> str:
        return f"{self.what}; {self.remedy}"


class Quantity(NamedTuple):
    """A parsed quantity: `value` in the unit of its dimension, `text` as written."""

    value: float
    text: str


@functools.cache
def registry() -> pint.UnitRegistry[float]:
    """The program's only pint registry."""
    import pint

    ureg: pint.UnitRegistry[float] = pint.UnitRegistry(autoconvert_offset_to_baseunit=False)
    # Spellings common on gauges and in data sheets; none is ambiguous.
    ureg.define("@alias psi = psig = PSI = PSIG")
    ureg.define("@alias bar = barg = BAR")
    ureg.define("@alias ohm = Ohm = Ohms")
    pint.set_application_registry(ureg)  # type: ignore[no-untyped-call]
    return ureg


@functools.lru_cache(maxsize=512)
def parse(text: str, dimension: str) -> float:
    """Parse `text` and return it in the unit of `dimension` (a key of DIMENSIONS).

    Raises QuantityError for no number, no unit, an unknown unit, another dimension, or a value that
    is not finite. The unit does not distinguish gauge from absolute pressure: every pressure of the
    rig is gauge pressure.
    """
    unit_name, example = DIMENSIONS[dimension]
    how = f'write it like "{example}"'
    match = _QUANTITY.match(text) if len(text) <= _LONGEST else None
    if match is None:
        text = text if len(text) <= _LONGEST else text[:_LONGEST] + "..."
        comma = "with a decimal point, not a comma, " if _DECIMAL_COMMA.match(text) else ""
        raise QuantityError(
            f'"{text}" is not a number with a unit', f'write it {comma}like "{example}"'
        )
    number, unit = float(match.group(1)), match.group(2) or ""
    if not unit and dimension != "fraction":
        raise QuantityError(f'"{text}" has no unit', how)
    if not math.isfinite(number):
        raise QuantityError(f'"{text}" is not a finite number', how)
    return _convert(number, unit, unit_name, text, dimension)


def convert(value: float, unit: str, dimension: str) -> float:
    """Convert a number with a unit text to the unit of `dimension`; raises QuantityError."""
    return _convert(value, unit, DIMENSIONS[dimension][0], f"{value} {unit}", dimension)


def _convert(number: float, unit: str, unit_name: str, text: str, dimension: str) -> float:
    factor = UNITS[dimension].get(unit)
    value = (
        _by_pint(number, unit, unit_name, text, dimension) if factor is None else number * factor
    )
    if not math.isfinite(value):
        how = f'write it like "{DIMENSIONS[dimension][1]}"'
        raise QuantityError(f'"{text}" is not a finite number', how)
    return value


def _by_pint(number: float, unit: str, unit_name: str, text: str, dimension: str) -> float:
    import pint

    if unit and not _UNIT.fullmatch(unit):
        raise QuantityError(f'"{unit}" is not a known unit', _other_unit(unit, dimension))
    try:
        # people write "%" without a space; some pint versions refuse it with one
        wanted = registry().Quantity(number, unit.replace("%", "percent") or "dimensionless")
        return float(wanted.to(unit_name).magnitude)
    except pint.errors.DimensionalityError as error:
        raise QuantityError(
            f'"{text}" is not a {dimension.replace("_", " ")}', _other_unit(unit, dimension)
        ) from error
    except Exception as error:  # pint raises many types for a malformed unit
        raise QuantityError(
            f'"{unit}" is not a known unit', _other_unit(unit, dimension)
        ) from error


def _other_unit(unit: str, dimension: str) -> str:
    """What to write instead of `unit`: the intended spelling, or one that fits."""
    plain = unit.strip().casefold()
    if dimension.startswith("pressure") and plain in ("psia", "bara", "kpaa", "kpa abs", "atm"):
        return "every pressure here is gauge pressure, zero at the open air; use psi, kPa or bar"
    if plain in ("kg/cm2", "kg/cm^2", "kg/cm²"):
        plain = "kgf/cm^2"
    for known in UNITS[dimension]:
        if plain in (known.casefold(), known.casefold() + "g", known.casefold() + "s"):
            return f'write the unit as "{known}"'
    units = UNITS[dimension]
    or_so = f" (units: {', '.join(units)})" if len(units) > 1 else ""
    return f'write it like "{DIMENSIONS[dimension][1]}"{or_so}'
