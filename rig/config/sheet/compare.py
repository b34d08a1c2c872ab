# SPDX-License-Identifier: MIT
"""`[compare]` of a strokes sheet: margins of equivalence, effect of mounting, dependence of the
times on conditions, and the oil for a common temperature."""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import Field

from rig.config.files.problems import Finding
from rig.config.quantity_types import (
    Fraction,
    TimePerPressureRange,
    TimePerRotationRange,
    TimePerTemperatureRange,
    TimePerVoltageRange,
    TimeS,
    ViscosityMm2S,
)
from rig.config.strict import Strict

Span = tuple[float, float]
SLOPE_KEYS = {
    "pressure": "pressure",
    "supply_voltage": "supply",
    "oil_temperature": "oil_temperature",
    "engine_speed": "engine_speed",
}
"""Suffix of a slope's key, by condition."""


class Compare(Strict):
    """How runs of this sheet are compared with one another.

    The slopes are ranges, lower and upper end, in which the slope lies with 95 %.
    """

    response_margin_s: TimeS | None = Field(alias="response_margin", default=None, gt=0)
    """Two valves whose mean response differs by less are equivalent for the purpose."""
    release_margin_s: TimeS | None = Field(alias="release_margin", default=None, gt=0)
    response_mounting_sd_s: TimeS | None = Field(
        alias="response_mounting_sd", default=None, ge=0, le=10
    )
    """Standard deviation of the mean response from one mounting of a valve to the next."""
    release_mounting_sd_s: TimeS | None = Field(
        alias="release_mounting_sd", default=None, ge=0, le=10
    )
    response_per_pressure: TimePerPressureRange | None = None
    """How much the mean response changes with the pressure, ms/kPa."""
    release_per_pressure: TimePerPressureRange | None = None
    response_per_supply: TimePerVoltageRange | None = None
    """With the coil's supply, ms/V."""
    release_per_supply: TimePerVoltageRange | None = None
    response_per_oil_temperature: TimePerTemperatureRange | None = None
    """With the oil's temperature, ms/K; instead of the viscosity model."""
    release_per_oil_temperature: TimePerTemperatureRange | None = None
    response_per_engine_speed: TimePerRotationRange | None = None
    """With the engine's speed, ms/rpm."""
    release_per_engine_speed: TimePerRotationRange | None = None
    viscosity_40_mm2_s: ViscosityMm2S | None = Field(
        alias="viscosity_40", default=None, ge=2, le=1e4
    )
    """Of the oil, from its data sheet: at 40 and 100 degC."""
    viscosity_100_mm2_s: ViscosityMm2S | None = Field(
        alias="viscosity_100", default=None, ge=2, le=1e4
    )
    viscous_share: Fraction | None = Field(default=None, ge=0, le=1)
    """The fraction of the times that depends on the oil's viscosity; if not given, anything from
    none to all."""

    def margin_ms(self, figure: str) -> float | None:
        """The margin of `response_ms` or `release_ms` in milliseconds."""
        return _ms(getattr(self, f"{figure.removesuffix('_ms')}_margin_s", None))

    def mounting_sd_ms(self, figure: str) -> float | None:
        """The spread between mountings of `response_ms` or `release_ms` in milliseconds."""
        return _ms(getattr(self, f"{figure.removesuffix('_ms')}_mounting_sd_s", None))

    def slopes(self, figure: str) -> dict[str, Span]:
        """The slopes given for `response_ms` or `release_ms`, by condition: both ends, in ms per
        kPa, V, K or rpm."""
        name = figure.removesuffix("_ms")
        given: dict[str, Span | None] = {
            condition: getattr(self, f"{name}_per_{key}", None)
            for condition, key in SLOPE_KEYS.items()
        }
        return {condition: span for condition, span in given.items() if span is not None}


def _ms(time_s: float | None) -> float | None:
    return None if time_s is None else 1e3 * time_s


def viscosities(compare: Compare) -> Iterator[Finding]:
    """Both viscosities or none, and oil gets thinner as it warms."""
    cold, warm = compare.viscosity_40_mm2_s, compare.viscosity_100_mm2_s
    if (cold is None) != (warm is None):
        given, lacking = ("viscosity_100", "viscosity_40")
        if warm is None:
            given, lacking = lacking, given
        yield Finding(
            ("compare", lacking),
            f"there is {given} and no {lacking}: one viscosity does not say how the oil thins",
            f"add {lacking} from the oil's data sheet, or take {given} out",
        )
    elif cold is not None and warm is not None and not warm < cold:
        yield Finding(
            ("compare", "viscosity_100"),
            "the oil is thicker at 100 degC than at 40 degC",
            "check the two viscosities",
        )
