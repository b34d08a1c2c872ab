# SPDX-License-Identifier: MIT
"""`[calibration]`: how the rig's pressure gauge compared with a reference gauge, and when.

It is part of the setup and so is stored with every run: a run can be analysed again with what was
known of its gauge then. Only analysis applies it; recordings and the interlock keep the raw
readings.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from rig.config.dated import DATE_NOT_KNOWN as DATE_NOT_KNOWN
from rig.config.dated import IN_DATE as IN_DATE
from rig.config.dated import OUT_OF_DATE as OUT_OF_DATE
from rig.config.dated import Dated
from rig.config.quantity_types import ListAsTuple, PressureKpa
from rig.config.strict import Strict

FEW_POINTS = 5
"""With fewer, the line's uncertainty rests on too little scatter (common practice, no source)."""


class CalibrationPoint(Strict):
    """One pressure, read on both gauges at once."""

    reference_kpa: PressureKpa = Field(alias="reference")
    reading_kpa: PressureKpa = Field(alias="reading")
    """The reading of the rig's own gauge."""


class CalibrationSetup(Dated):
    """`[calibration]`, of the channel pressure."""

    reference: str = Field(min_length=1, examples=['"test gauge no. 4, 0 to 1 MPa"'])
    """The reference gauge: name, number, certificate."""
    reference_uncertainty_kpa: PressureKpa = Field(alias="reference_uncertainty", ge=0)
    """Expanded, as stated in its certificate."""
    reference_coverage: float = Field(default=2.0, ge=1, le=4)
    """Coverage factor k of that (a plain number)."""
    points: Annotated[tuple[CalibrationPoint, ...], ListAsTuple] = Field(
        examples=['[{reference = "0 kPa", reading = "0.4 kPa"}, ...]']
    )
    zero_check: bool = False
    """The gauge is open to the air at rest, so that it must then read `zero_reading`."""
    zero_reading_kpa: PressureKpa | None = Field(alias="zero_reading", default=None)
    zero_tolerance_kpa: PressureKpa | None = Field(alias="zero_tolerance", default=None, gt=0)
    zero_correction: bool = True
    """With `zero_check`: an allowed drift of the zero is subtracted from every reading of the run.
    `false` if the resting pressure itself may differ from run to run."""

    @property
    def range_kpa(self) -> tuple[float, float]:
        """Lowest and highest reading of the points."""
        readings = [point.reading_kpa for point in self.points]
        return min(readings), max(readings)

    def zero_words(self, reading_kpa: float) -> tuple[bool, str]:
        """Whether a reading at rest agrees with the stored zero, and words for it."""
        zero, tolerance = self.zero_reading_kpa or 0.0, self.zero_tolerance_kpa or 0.0
        drift = reading_kpa - zero
        words = (
            f"reads {reading_kpa:.3g} kPa with no pressure, {drift:+.3g} kPa from the "
            f"{zero:.3g} kPa of its calibration (allowed {tolerance:.3g} kPa)"
        )
        return abs(drift) <= tolerance, words
