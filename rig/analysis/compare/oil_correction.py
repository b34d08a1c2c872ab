# SPDX-License-Identifier: MIT
"""Convert times measured in oil of different temperatures to a common temperature.

Model: part of a time does not depend on the oil, the rest is proportional to its kinematic
viscosity. With the viscous share s at the common temperature,
t = t_common (1 - s + s nu / nu_common).
The share is a property of valve and passages that nobody states; where the sheet does not give it,
anything from none to all is equally likely, and that spread goes into the uncertainty
(JCGM 100:2008, 4.3.7, rectangular). So does a temperature that is only known to 2 K.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from rig.analysis.compare.two_samples import Bounds, Difference, around
from rig.physics.oil import ViscosityTemperature

VISCOSITY_40_MM2_S = 64.0
VISCOSITY_100_MM2_S = 10.6
"""A common engine oil, where the sheet names none (plausible values; common practice, no source).
"""
TEMPERATURE_HALF_WIDTH_K = 2.0
"""Half width of a typed oil temperature (common practice, no source)."""


class OilModel(NamedTuple):
    """`share` lies between `share_low` and `share_high`, all equally likely; `stated` says whether
    the viscosities are the sheet's."""

    line: ViscosityTemperature
    share_low: float
    share_high: float
    stated: bool


class Normalised(NamedTuple):
    """The difference at the oil temperature of the run before. `before_factor` and `after_factor`
    are the divisors of the raw times; `standard_error` includes the strokes' scatter and the
    model's own `u_model`. The difference lies between `least` and `most` for any viscous share the
    model allows; where that is `share_known` they are equal."""

    reference_degc: float
    before_factor: float
    after_factor: float
    difference: float
    ci95: Bounds
    u_model: float
    standard_error: float
    dof: float
    p: float
    least: float
    most: float
    share_known: bool


def oil_model(
    viscosity_40: float | None, viscosity_100: float | None, share: float | None
) -> OilModel:
    """The model from a sheet's `[compare]` table; None values take the defaults above."""
    line = ViscosityTemperature.through(
        VISCOSITY_40_MM2_S if viscosity_40 is None else viscosity_40, 40.0,
        VISCOSITY_100_MM2_S if viscosity_100 is None else viscosity_100, 100.0,
    )  # fmt: skip
    low, high = (0.0, 1.0) if share is None else (share, share)
    return OilModel(line, low, high, viscosity_40 is not None)


def factor(model: OilModel, degc: float, reference_degc: float, share: float) -> float:
    """Time at `degc` over the time at `reference_degc`.

    Raises ValueError where the viscosity line does not hold (below 2 mm^2/s).
    """
    ratio = model.line.kinematic_mm2_s(degc) / model.line.kinematic_mm2_s(reference_degc)
    return 1 - share + share * ratio


def mean_at_reference(
    mean: float, degc: float, reference_degc: float, model: OilModel
) -> tuple[float, float]:
    """A mean time measured at `degc`, converted to `reference_degc`, and the model's standard
    uncertainty (ends of the share and of the temperature, each rectangular).

    Raises ValueError where the viscosity line does not hold.
    """
    middle = (model.share_low + model.share_high) / 2

    def at(share: float, more_k: float = 0.0) -> float:
        return mean / factor(model, degc + more_k, reference_degc, share)

    width = TEMPERATURE_HALF_WIDTH_K
    halves = (
        (at(model.share_high) - at(model.share_low)) / 2,
        (at(middle, width) - at(middle, -width)) / 2,
    )
    return at(middle), math.sqrt(sum(half**2 for half in halves) / 3)


def normalised(
    found: Difference, before_degc: float, after_degc: float, model: OilModel
) -> Normalised:
    """The difference with the run after converted to the oil temperature of the run before.

    Raises ValueError where the viscosity line does not hold. The model's uncertainty comes from
    the ends of the share and of both temperatures, each rectangular, varied one at a time.
    """
    from scipy import special

    before, after = found.before, found.after
    middle = (model.share_low + model.share_high) / 2

    def apart(share: float, before_k: float = 0.0, after_k: float = 0.0) -> float:
        one = factor(model, before_degc + before_k, before_degc, share)
        two = factor(model, after_degc + after_k, before_degc, share)
        return after.mean / two - before.mean / one

    width = TEMPERATURE_HALF_WIDTH_K
    half_widths = (
        (apart(model.share_high) - apart(model.share_low)) / 2,
        (apart(middle, width) - apart(middle, -width)) / 2,
        (apart(middle, 0.0, width) - apart(middle, 0.0, -width)) / 2,
    )
    u_model = math.sqrt(sum(half**2 for half in half_widths) / 3)
    two = factor(model, after_degc, before_degc, middle)
    part1, part2 = before.sd**2 / before.n, (after.sd / two) ** 2 / after.n
    total = math.sqrt(part1 + part2 + u_model**2)
    below = part1**2 / (before.n - 1) + part2**2 / (after.n - 1)
    dof = total**4 / below if below > 0 else math.inf
    value = apart(middle)
    p = 1.0 if value == 0 else 0.0
    if total > 0:
        t = abs(value) / total
        p = 2 * float(special.ndtr(-t) if math.isinf(dof) else special.stdtr(dof, -t))
    least, most = sorted((apart(model.share_low), apart(model.share_high)))
    return Normalised(
        before_degc, 1.0, two, value, around(value, total, dof), u_model, total, dof, p, least,
        most, model.share_low == model.share_high,
    )  # fmt: skip
