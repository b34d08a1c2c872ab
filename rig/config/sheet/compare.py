# SPDX-License-Identifier: MIT
"""`[compare]` of a strokes sheet: what counts as alike, and the oil for a common temperature."""

from __future__ import annotations

from collections.abc import Iterator

from pydantic import Field

from rig.config.files.problems import Finding
from rig.config.quantity_types import Fraction, TimeS, ViscosityMm2S
from rig.config.strict import Strict


class Compare(Strict):
    """How runs of this sheet are compared with one another."""

    response_margin_s: TimeS | None = Field(alias="response_margin", default=None, gt=0)
    """Two valves whose mean response differs by less are alike for the purpose."""
    release_margin_s: TimeS | None = Field(alias="release_margin", default=None, gt=0)
    viscosity_40_mm2_s: ViscosityMm2S | None = Field(
        alias="viscosity_40", default=None, ge=2, le=1e4
    )
    """Of the oil, from its data sheet: at 40 and 100 degC."""
    viscosity_100_mm2_s: ViscosityMm2S | None = Field(
        alias="viscosity_100", default=None, ge=2, le=1e4
    )
    viscous_share: Fraction | None = Field(default=None, ge=0, le=1)
    """The part of the times that goes with the oil's viscosity; where it is not given, anything
    from none to all."""

    def margin_ms(self, figure: str) -> float | None:
        """The margin of `response_ms` or `release_ms` in milliseconds."""
        margins = {"response_ms": self.response_margin_s, "release_ms": self.release_margin_s}
        margin_s = margins[figure]
        return None if margin_s is None else 1e3 * margin_s


def viscosities(compare: Compare) -> Iterator[Finding]:
    """Both viscosities or none, and oil gets thinner when it warms."""
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
