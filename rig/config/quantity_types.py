# SPDX-License-Identifier: MIT
"""Field types: a text with a unit in the file, an SI float in the program.

The unit stands in the attribute's name (`supply_voltage_v`); the key in the file has none
(`supply_voltage = "12.6 V"`). A plan handed from desk to bench carries the floats; it is
validated with `context={"resolved": True}`, which accepts them and needs no pint.
"""

from __future__ import annotations

import math
from typing import Annotated, Any

from pydantic import BeforeValidator, ValidationInfo

from rig.core.quantities import DIMENSIONS, QuantityError, parse


def _reader(dimension: str) -> BeforeValidator:
    def read(value: Any, info: ValidationInfo) -> float:
        if isinstance(value, float) and info.context and info.context.get("resolved"):
            if not math.isfinite(value):
                raise ValueError("not a finite number")
            return value
        example = DIMENSIONS[dimension][1]
        if not isinstance(value, str):
            raise ValueError(f'a quantity is written as text with its unit, like "{example}"')
        try:
            return parse(value, dimension)
        except QuantityError as error:
            raise ValueError(str(error)) from error

    return BeforeValidator(read)


PressureKpa = Annotated[float, _reader("pressure")]
PressureRateKpaS = Annotated[float, _reader("pressure_rate")]
TimeS = Annotated[float, _reader("time")]
CurrentA = Annotated[float, _reader("current")]
VoltageV = Annotated[float, _reader("voltage")]
ResistanceOhm = Annotated[float, _reader("resistance")]
InductanceH = Annotated[float, _reader("inductance")]
TemperatureDegc = Annotated[float, _reader("temperature")]
Fraction = Annotated[float, _reader("fraction")]
FrequencyHz = Annotated[float, _reader("frequency")]
RotationRpm = Annotated[float, _reader("rotation")]
ViscosityMm2S = Annotated[float, _reader("viscosity")]
VolumeCm3 = Annotated[float, _reader("volume")]
LengthMm = Annotated[float, _reader("length")]
AreaMm2 = Annotated[float, _reader("area")]
MassG = Annotated[float, _reader("mass")]
ForceN = Annotated[float, _reader("force")]
FlowLMin = Annotated[float, _reader("flow")]
