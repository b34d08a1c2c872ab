# SPDX-License-Identifier: MIT
"""The sheet: what to do and what to accept (`*.sheet.toml`). It names no valve."""

from __future__ import annotations

from abc import abstractmethod
from typing import TYPE_CHECKING, Annotated, ClassVar, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from rig.config.quantity_types import Fraction, ListAsTuple, PressureKpa, TimeS, is_resolved, refuse
from rig.config.sheet.compare import Compare
from rig.config.sheet.limit_value import read_limit
from rig.config.strict import Strict
from rig.core.figures import FIGURES

if TYPE_CHECKING:
    FigureName = str
else:
    FigureName = Literal[tuple(FIGURES)]


class Accept(Strict):
    """One acceptance limit: `figure` of `of` lies between `min` and `max`, both included.

    `min` and `max` are quantities with a unit, or plain numbers for counts, as written;
    `min_value`, `max_value` and `margin_value` are the same in the unit of the results (FIGURES).
    """

    figure: FigureName
    of: Literal["each", "mean", "median", "p95", "tolerance", "total"] = "each"
    """Which number of the run: each stroke's own, or one for all strokes (total: missed only)."""
    strokes: Literal["steady", "rest", "all"] | None = None
    """Which strokes: the steady ones, the ones after a rest, or all. Left out: all for "each", the
    steady ones for one number of many strokes."""
    max: str | int | float | None = Field(default=None, examples=['"150 ms"'])
    min: str | int | float | None = Field(default=None, examples=['"20 ms"'])
    risk: Fraction = Field(default=0.05, gt=0, le=0.5, examples=['"5 %"'])
    """Largest accepted chance that a verdict (either way) is wrong."""
    margin: str | int | float | None = Field(default=None, examples=['"2 ms"'])
    """Smallest guard band: a limit is decided only by values at least this far from it."""
    max_value: float | None = Field(default=None, validate_default=True)
    min_value: float | None = Field(default=None, validate_default=True)
    margin_value: float | None = Field(default=None, validate_default=True)

    @model_validator(mode="before")
    @classmethod
    def _missed_is_a_total(cls, data: object) -> object:
        if isinstance(data, dict) and data.get("figure") == "missed":
            return {"of": "total"} | data
        return data

    @field_validator("max", "min", "margin", mode="before")
    @classmethod
    def _readable(cls, value: object, info: ValidationInfo) -> object:
        if is_resolved(info):
            return value
        if "figure" in info.data:
            read_limit(value, info.data["figure"])
        elif not isinstance(value, str | int | float):
            raise refuse("this is not a limit", 'write one like "150 ms", or a number for a count')
        return value

    @field_validator("max_value", "min_value", "margin_value", mode="before")
    @classmethod
    def _in_the_unit_of_the_results(cls, value: object, info: ValidationInfo) -> object:
        name = str(info.field_name).removesuffix("_value")
        if is_resolved(info) or not {"figure", name} <= info.data.keys():
            return value
        written = info.data[name]
        return None if written is None else read_limit(written, info.data["figure"])

    @property
    def usual_strokes(self) -> str:
        """Which strokes are used if `strokes` is left out."""
        return "all" if self.of == "each" else "steady"

    @property
    def strokes_of(self) -> str:
        """Which strokes are used: "steady", "rest" or "all"."""
        return self.strokes or self.usual_strokes

    @property
    def unit(self) -> str:
        """Unit of `min_value` and `max_value`: ms, kPa, kPa/s, or empty for a count."""
        return FIGURES[self.figure].unit


NOT_KEYS = frozenset({"max_value", "min_value", "margin_value"})
"""Fields computed while loading; they are not keys of the file."""


class SheetBase(Strict):
    """What every kind of sheet has."""

    title: str = ""
    settle_wait_s: TimeS = Field(alias="settle_wait", default=2.0, ge=0)
    """Coil off, before the first energise."""
    settle_window_s: TimeS = Field(alias="settle_window", default=0.02, gt=0)
    """A switch has settled when it stays put for this long."""
    base_pressure_min_kpa: PressureKpa | None = Field(alias="base_pressure_min", default=None, gt=0)
    """Least pressure before the first stroke; below it a missed stroke says nothing."""
    service: str | None = Field(default=None, min_length=1, examples=['"valve-a"'])
    """Name of the limits file whose service information this sheet follows."""
    service_taken: str | None = None
    """Written by the program when it inserted limits: from which file, by whom, and when."""
    accept: Annotated[tuple[Accept, ...], ListAsTuple] = ()
    one: ClassVar[str] = "stroke"
    """What is done several times, in words."""
    shown: ClassVar[str]
    """The kind, in words."""

    @property
    def times(self) -> int:
        """How many strokes or ramps; 1 for a hold."""
        return 1

    @property
    @abstractmethod
    def longest_on(self) -> tuple[float, str]:
        """Longest continuous on time of the coil, s, and the key that sets it."""

    @property
    @abstractmethod
    def work_s(self) -> float:
        """The longest it can take after the settle wait, s."""

    @property
    def longest_s(self) -> float:
        """The longest it can take, s."""
        return self.settle_wait_s + self.work_s


class EarlyStop(Strict):
    """When a run of strokes may end before its last one (rig.analysis.verdict.early_stop_test)."""

    acceptable: Fraction = Field(default=0.01, gt=0, lt=1)
    """Acceptable share of failing strokes."""
    unacceptable: Fraction = Field(default=0.10, gt=0, lt=1)
    """Unacceptable share of failing strokes."""
    alpha: Fraction = Field(default=0.05, gt=0, lt=0.5)
    """Risk of ending with "too many fail" although only the acceptable share does."""
    beta: Fraction = Field(default=0.05, gt=0, lt=0.5)
    """Risk of ending with "few enough fail" although the unacceptable share does."""
    least: int = Field(default=10, ge=1)
    """Minimum number of strokes."""


class StrokesSheet(SheetBase):
    """Energise and release, `strokes` times."""

    kind: Literal["strokes"]
    strokes: int = Field(ge=1, le=100_000)
    on_time_s: TimeS = Field(alias="on_time", gt=0)
    rest_s: TimeS = Field(alias="rest", gt=0)
    early_stop: EarlyStop | None = None
    """None: all strokes are done."""
    compare: Compare = Compare()
    shown: ClassVar = "strokes"

    @property
    def times(self) -> int:
        return self.strokes

    @property
    def longest_on(self) -> tuple[float, str]:
        return self.on_time_s, "on_time"

    @property
    def work_s(self) -> float:
        return self.strokes * (self.on_time_s + self.rest_s)


class HoldSheet(SheetBase):
    """Hold one state and watch the pressure: leak-down."""

    kind: Literal["hold"]
    state: Literal["energised", "released"]
    energise_first_s: TimeS = Field(alias="energise_first", default=2.0, gt=0)
    """With state released: how long the coil is energised before pressure is watched."""
    watch_s: TimeS = Field(alias="watch", gt=0)
    one: ClassVar = "hold"
    shown: ClassVar = "hold (leak-down)"

    @property
    def longest_on(self) -> tuple[float, str]:
        if self.state == "energised":
            return self.watch_s, "watch"
        return self.energise_first_s, "energise_first"

    @property
    def work_s(self) -> float:
        return self.watch_s + (self.energise_first_s if self.state == "released" else 0.0)


class RampSheet(SheetBase):
    """Pressure raised and lowered slowly, `ramps` times: actuation and reset pressure."""

    kind: Literal["ramp"]
    ramps: int = Field(ge=1, le=100)
    coil: Literal["energised", "released"] = "released"
    low_kpa: PressureKpa = Field(alias="low")
    high_kpa: PressureKpa = Field(alias="high")
    ramp_time_max_s: TimeS = Field(alias="ramp_time_max", default=60.0, gt=0)
    """A ramp that takes longer ends the run as aborted."""
    one: ClassVar = "ramp"
    shown: ClassVar = "ramp (actuation and reset pressure)"

    @property
    def times(self) -> int:
        return self.ramps

    @property
    def longest_on(self) -> tuple[float, str]:
        # the coil stays on through all ramps, each up and down
        return self.work_s if self.coil == "energised" else 0.0, "ramp_time_max"

    @property
    def work_s(self) -> float:
        return 2 * self.ramps * self.ramp_time_max_s


Sheet = Annotated[StrokesSheet | HoldSheet | RampSheet, Field(discriminator="kind")]

KINDS: dict[str, type[StrokesSheet] | type[HoldSheet] | type[RampSheet]] = {
    "strokes": StrokesSheet,
    "hold": HoldSheet,
    "ramp": RampSheet,
}
"""A kind is one entry: what every part of the program asks of it stands in its class."""
