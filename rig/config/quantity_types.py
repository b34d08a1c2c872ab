# SPDX-License-Identifier: MIT
"""Field types: a text with a unit in the file, an SI float in the program.

The unit is in the attribute's name (`supply_voltage_v`); the key in the file has none
(`supply_voltage = "12.6 V"`). A plan handed from desk to bench carries the floats; it is validated
with `context={"resolved": True}`, which accepts them and needs no pint.
"""

from __future__ import annotations

import datetime
import math
import sys
from dataclasses import dataclass
from typing import Annotated

from pydantic import BeforeValidator, ValidationInfo
from pydantic_core import PydanticCustomError

from rig.core.quantities import DIMENSIONS, QuantityError, parse

RESOLVED: dict[str, object] = {"resolved": True}
"""The validation context of a plan: numbers are already in the unit of their name."""


@dataclass(frozen=True)
class Dimension:
    """Mark a field as a quantity, or with `pair` as a range of two; `name` is one of
    rig.core.quantities.DIMENSIONS."""

    name: str
    pair: bool = False


def refuse(what: str, remedy: str) -> PydanticCustomError:
    """A validator's error: what is wrong with the value, and what to write instead."""
    return PydanticCustomError("refused", "{what}; {remedy}", {"what": what, "remedy": remedy})


def is_resolved(info: ValidationInfo) -> bool:
    """Whether a plan is being read, not a file."""
    return bool(info.context and info.context.get("resolved"))


def read_quantity(value: object, dimension: str) -> float:
    """A value as written in a file, in the unit of its dimension."""
    how = f'write it between quotes with its unit, like "{DIMENSIONS[dimension][1]}"'
    if isinstance(value, bool):
        raise refuse("true or false stands where a quantity is needed", how)
    if isinstance(value, float) and not math.isfinite(value):
        raise refuse("this is not a finite number", how)
    if isinstance(value, int | float):
        raise refuse("a plain number without its unit stands where a quantity is needed", how)
    if not isinstance(value, str):
        raise refuse("this is not a quantity", how)
    try:
        return parse(value, dimension)
    except QuantityError as error:
        raise refuse(error.what, error.remedy) from error


def _read_number(value: object) -> float:
    """A number of a plan."""
    number = value if isinstance(value, int | float) and not isinstance(value, bool) else math.nan
    if abs(number) <= sys.float_info.max:
        return float(number)
    raise refuse("this is not a finite number", "make the plan with rig.config.files.resolved.dump")


def _reader(dimension: str) -> BeforeValidator:
    def read(value: object, info: ValidationInfo) -> float:
        return _read_number(value) if is_resolved(info) else read_quantity(value, dimension)

    return BeforeValidator(read)


def _range_reader(dimension: str) -> BeforeValidator:
    example = DIMENSIONS[dimension][1]
    how = f'write the lower and the upper value, like ["0 {example.split()[-1]}", "{example}"]'

    def read(value: object, info: ValidationInfo) -> tuple[float, float]:
        if not isinstance(value, list | tuple) or len(value) != 2:
            raise refuse("a range is two quantities in square brackets", how)
        if is_resolved(info):
            low, high = (_read_number(item) for item in value)
        else:
            low, high = (read_quantity(item, dimension) for item in value)
        if not low < high:
            raise refuse("the range is reversed or empty: the first value must be the lower", how)
        return low, high

    return BeforeValidator(read)


def _list_to_tuple(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


def _read_date(value: object, info: ValidationInfo) -> object:
    if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
        return value.isoformat()  # TOML writes a date without quotes
    if is_resolved(info) or not isinstance(value, str):
        return value
    try:
        return datetime.date.fromisoformat(value).isoformat()
    except ValueError as error:
        raise refuse("not a date", 'write year, month and day: "2026-11-02"') from error


def _read_instant(value: object, info: ValidationInfo) -> object:
    if is_resolved(info) or not isinstance(value, str | datetime.datetime):
        return value
    try:
        at = datetime.datetime.fromisoformat(value) if isinstance(value, str) else value
        return at.astimezone(datetime.UTC).isoformat(timespec="seconds")
    except (ValueError, OverflowError, OSError) as error:
        remedy = 'write date, time and offset: "2026-11-02T14:05:00+00:00"'
        raise refuse("not an instant", remedy) from error


DateText = Annotated[str, BeforeValidator(_read_date)]
"""A day as year-month-day."""

InstantText = Annotated[str, BeforeValidator(_read_instant)]
"""Date and time of day, kept as UTC; without an offset, local time of this machine."""

ListAsTuple = BeforeValidator(_list_to_tuple)
"""TOML and JSON know lists only; strict models hold tuples, which cannot change."""

PressureKpa = Annotated[float, _reader("pressure"), Dimension("pressure")]
PressureRateKpaS = Annotated[float, _reader("pressure_rate"), Dimension("pressure_rate")]
TimeS = Annotated[float, _reader("time"), Dimension("time")]
CurrentA = Annotated[float, _reader("current"), Dimension("current")]
VoltageV = Annotated[float, _reader("voltage"), Dimension("voltage")]
ResistanceOhm = Annotated[float, _reader("resistance"), Dimension("resistance")]
InductanceH = Annotated[float, _reader("inductance"), Dimension("inductance")]
TemperatureDegc = Annotated[float, _reader("temperature"), Dimension("temperature")]
TemperatureRateKMin = Annotated[float, _reader("temperature_rate"), Dimension("temperature_rate")]
Fraction = Annotated[float, _reader("fraction"), Dimension("fraction")]
FrequencyHz = Annotated[float, _reader("frequency"), Dimension("frequency")]
RotationRpm = Annotated[float, _reader("rotation"), Dimension("rotation")]
ViscosityMm2S = Annotated[float, _reader("viscosity"), Dimension("viscosity")]
VolumeCm3 = Annotated[float, _reader("volume"), Dimension("volume")]
LengthMm = Annotated[float, _reader("length"), Dimension("length")]
AreaMm2 = Annotated[float, _reader("area"), Dimension("area")]
MassG = Annotated[float, _reader("mass"), Dimension("mass")]
ForceN = Annotated[float, _reader("force"), Dimension("force")]
ThermalResistanceKW = Annotated[
    float, _reader("thermal_resistance"), Dimension("thermal_resistance")
]

PressureRangeKpa = Annotated[
    tuple[float, float], _range_reader("pressure"), Dimension("pressure", pair=True)
]
TemperatureRangeDegc = Annotated[
    tuple[float, float], _range_reader("temperature"), Dimension("temperature", pair=True)
]
CurrentRangeA = Annotated[
    tuple[float, float], _range_reader("current"), Dimension("current", pair=True)
]
ResistanceRangeOhm = Annotated[
    tuple[float, float], _range_reader("resistance"), Dimension("resistance", pair=True)
]
VoltageRangeV = Annotated[
    tuple[float, float], _range_reader("voltage"), Dimension("voltage", pair=True)
]
TimeRangeS = Annotated[tuple[float, float], _range_reader("time"), Dimension("time", pair=True)]
TimePerPressureRange = Annotated[
    tuple[float, float],
    _range_reader("time_per_pressure"),
    Dimension("time_per_pressure", pair=True),
]
TimePerVoltageRange = Annotated[
    tuple[float, float], _range_reader("time_per_voltage"), Dimension("time_per_voltage", pair=True)
]
TimePerTemperatureRange = Annotated[
    tuple[float, float],
    _range_reader("time_per_temperature"),
    Dimension("time_per_temperature", pair=True),
]
TimePerRotationRange = Annotated[
    tuple[float, float],
    _range_reader("time_per_rotation"),
    Dimension("time_per_rotation", pair=True),
]
