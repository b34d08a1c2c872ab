# SPDX-License-Identifier: MIT
"""Service information for one vehicle or valve kind, as the shop typed it in (`*.limits.toml`). No
such figures are shipped, except an invented example."""

from __future__ import annotations

import datetime
from typing import Annotated

from pydantic import Field

from rig.config.quantity_types import (
    DateText,
    Fraction,
    ListAsTuple,
    PressureKpa,
    ResistanceRangeOhm,
    TemperatureDegc,
    TimeS,
    VoltageRangeV,
)
from rig.config.sheet.model import Accept
from rig.config.strict import Strict


class ServiceLimits(Strict):
    """One vehicle or valve kind. Only what the service information states is written."""

    kind: str = Field(min_length=1, max_length=120, examples=['"valve kind A"'])
    """The vehicle or the kind of valve, as the shop calls it."""
    source: str = Field(min_length=1, max_length=200, examples=['"service manual, page 8-12"'])
    """Document, edition and page."""
    by: str = Field(min_length=1, max_length=80, examples=['"A. Example"'])
    """Who typed it in."""
    date: DateText = Field(examples=['"2026-11-02"'])
    """The day it was typed in."""
    review: DateText | None = Field(default=None, examples=['"2027-11-02"'])
    """The day on which the source is due for review."""
    remark: str = Field(default="", max_length=400)
    pressure_max_kpa: PressureKpa | None = Field(alias="pressure_max", default=None, gt=0)
    base_pressure_min_kpa: PressureKpa | None = Field(alias="base_pressure_min", default=None, gt=0)
    """Oil pressure below which the valve need not answer."""
    oil_temperature_max_degc: TemperatureDegc | None = Field(
        alias="oil_temperature_max", default=None
    )
    on_time_max_s: TimeS | None = Field(alias="on_time_max", default=None, gt=0)
    duty_max: Fraction | None = Field(default=None, gt=0, le=1)
    coil_resistance_ohm: ResistanceRangeOhm | None = Field(alias="coil_resistance", default=None)
    """Of a good coil at 20 degC."""
    supply_voltage_v: VoltageRangeV | None = Field(alias="supply_voltage", default=None)
    accept: Annotated[tuple[Accept, ...], ListAsTuple] = ()

    @property
    def words(self) -> str:
        """Whose limits these are, in one phrase."""
        return f"{self.kind}, {self.source}, typed in by {self.by} on {self.date}"

    def is_due(self, on: datetime.date) -> bool:
        """Whether the source is due for review on that day."""
        return self.review is not None and on > datetime.date.fromisoformat(self.review)
