# SPDX-License-Identifier: MIT
"""`[calibration]`: how the rig's pressure gauge compared with a reference gauge, and when.

It stands in the setup and so goes with every run: a run can be analysed again by what was known of
its gauge then. Only analysis applies it; recordings and the interlock keep the raw readings.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated

from pydantic import Field, ValidationInfo, field_validator

from rig.config.files.problems import Finding
from rig.config.quantity_types import ListAsTuple, PressureKpa, is_resolved, refuse
from rig.config.strict import Strict

if TYPE_CHECKING:
    from rig.config.setup.model import Setup

MIN_POINTS = 3
FEW_POINTS = 5
"""With fewer the line's uncertainty comes from hardly any scatter (common practice, no source)."""
IN_DATE, OUT_OF_DATE, DATE_NOT_KNOWN = "in date", "out of date", "date of the run not known"


class CalibrationPoint(Strict):
    """One pressure, on both gauges at once."""

    reference_kpa: PressureKpa = Field(alias="reference")
    reading_kpa: PressureKpa = Field(alias="reading")
    """What the rig's own gauge read."""


class CalibrationSetup(Strict):
    """`[calibration]`, of the channel pressure."""

    date: str = Field(examples=['"2026-11-02"'])
    due: str = Field(examples=['"2027-11-02"'])
    by: str = ""
    reference: str = Field(min_length=1, examples=['"test gauge no. 4, 0 to 1 MPa"'])
    """The reference gauge: name, number, certificate."""
    reference_uncertainty_kpa: PressureKpa = Field(alias="reference_uncertainty", ge=0)
    """Expanded, as its certificate states it."""
    reference_coverage: float = Field(default=2.0, ge=1, le=4)
    """Coverage factor k of that (a plain number)."""
    points: Annotated[tuple[CalibrationPoint, ...], ListAsTuple] = Field(
        examples=['[{reference = "0 kPa", reading = "0.4 kPa"}, ...]']
    )
    zero_check: bool = False
    """The gauge is open to the air at rest, so that it must then read `zero_reading`."""
    zero_reading_kpa: PressureKpa | None = Field(alias="zero_reading", default=None)
    zero_tolerance_kpa: PressureKpa | None = Field(alias="zero_tolerance", default=None, gt=0)

    @field_validator("date", "due", mode="before")
    @classmethod
    def _is_a_date(cls, value: object, info: ValidationInfo) -> object:
        if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
            return value.isoformat()  # TOML writes a date without quotes
        if is_resolved(info) or not isinstance(value, str):
            return value
        try:
            return datetime.date.fromisoformat(value).isoformat()
        except ValueError as error:
            raise refuse("not a date", 'write year, month and day: "2026-11-02"') from error

    @property
    def range_kpa(self) -> tuple[float, float]:
        """Lowest and highest reading of the points."""
        readings = [point.reading_kpa for point in self.points]
        return min(readings), max(readings)

    def state(self, on: datetime.date | None) -> str:
        """IN_DATE or OUT_OF_DATE on that day; DATE_NOT_KNOWN without one."""
        if on is None:
            return DATE_NOT_KNOWN
        first = datetime.date.fromisoformat(self.date)
        last = datetime.date.fromisoformat(self.due)
        # a clock before the calibration cannot tell that it is in date
        return IN_DATE if first <= on <= last else OUT_OF_DATE

    def zero_words(self, reading_kpa: float) -> tuple[bool, str]:
        """Whether a reading at rest agrees with the stored zero, and words for it."""
        zero, tolerance = self.zero_reading_kpa or 0.0, self.zero_tolerance_kpa or 0.0
        drift = reading_kpa - zero
        words = (
            f"reads {reading_kpa:.3g} kPa with no pressure, {drift:+.3g} kPa from the "
            f"{zero:.3g} kPa of its calibration (allowed {tolerance:.3g} kPa)"
        )
        return abs(drift) <= tolerance, words


def calibration_rules(setup: Setup) -> Iterator[Finding]:
    """What cannot stand together in `[calibration]`."""
    made = setup.calibration
    if made is None:
        return
    where = ("calibration",)
    if setup.pressure_source is None:
        yield Finding(where, "nothing measures the pressure that this calibration is of",
                      "describe the [gauge], or leave [calibration] out")  # fmt: skip
    if len({point.reading_kpa for point in made.points}) < MIN_POINTS:
        yield Finding((*where, "points"), "a line needs at least three different readings",
                      "calibrate at five or more pressures: `rig calibrate`")  # fmt: skip
    elif not _rises(made):
        yield Finding((*where, "points"), "the readings do not rise with the reference",
                      "look for a point that was typed wrong, or for a swapped pair")  # fmt: skip
    if not made.date <= made.due:
        yield Finding((*where, "due"), "it ran out before it was made", "check both dates")
    if made.zero_check and (made.zero_reading_kpa is None or made.zero_tolerance_kpa is None):
        yield Finding((*where, "zero_check"), "a zero check needs zero_reading and zero_tolerance",
                      "give both, or take zero_check out")  # fmt: skip


def _rises(made: CalibrationSetup) -> bool:
    n = len(made.points)
    mean_x = sum(point.reading_kpa for point in made.points) / n
    mean_y = sum(point.reference_kpa for point in made.points) / n
    return sum((p.reading_kpa - mean_x) * (p.reference_kpa - mean_y) for p in made.points) > 0.0
