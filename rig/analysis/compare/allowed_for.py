# SPDX-License-Identifier: MIT
"""A difference corrected for conditions and mounting: is it the valve's?

A condition's known effect (a slope, or the oil's viscosity with its share) is subtracted with its
uncertainty. Where no slope is known, the effect is only bounded: a time varies as the condition to
some power between two exponents. A difference is then real only if it is one for every effect
between those bounds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from rig.analysis.compare.mounting import Mounting
from rig.analysis.compare.oil_correction import TEMPERATURE_HALF_WIDTH_K, OilModel, factor
from rig.analysis.compare.own_times import OwnTimes
from rig.analysis.compare.run_values import (
    ENGINE,
    OIL,
    PRESSURE,
    SUPPLY,
    UNITS,
    Condition,
    u_between,
)
from rig.analysis.compare.slopes import Slopes
from rig.analysis.compare.two_samples import (
    REFUTED,
    UNDECIDED,
    Bounds,
    Difference,
    Equivalence,
    around,
    equivalence_of,
)

EXPONENTS = {
    ("response_ms", PRESSURE): (-2.0, 0.0),
    ("release_ms", PRESSURE): (-2.0, 2.0),
    ("response_ms", SUPPLY): (-1.0, 0.0),
    ("release_ms", SUPPLY): (-1.0, 1.0),
}
"""A time varies as the condition to a power between these (common practice, no source). A passage
gives -0.5 to -1; a switch whose actuation pressure lies near the supply gives more."""
ANY = (-2.0, 2.0)
"""For a time that is not in EXPONENTS."""
ALPHA = 0.05
REAL, NOT_SHOWN, WITHHELD = "real", "not shown", "withheld"


class Effect(NamedTuple):
    """Effect of one condition on the time, ms: from `low` to `high`, equal where a slope (or the
    oil's share) is known; `u` its standard uncertainty, `dof`; `how` the slope was obtained."""

    condition: str
    before: float
    after: float
    known: bool
    low: float
    high: float
    u: float
    dof: float
    how: str


class AllowedFor(NamedTuple):
    """The difference less the known effects: `difference`, its `standard_error` including slopes,
    conditions and mounting, `dof`, `p`, `ci95`. `least` and `most`: the interval widened by the
    possible size of unknown effects. `result`: REAL, NOT_SHOWN, or WITHHELD (more than scatter, but
    possibly conditions or mounting). `lacking`: conditions not known in one run or both. `mounting`
    None: not known; `mounting_to_explain`: the spread between mountings (ms, sd) that would make it
    no difference; `pressure_to_explain` the relative pressure difference that would, where the
    pressure is not known. `own` are the rigs' own times subtracted, None where they cancel."""

    difference: float
    standard_error: float
    dof: float
    p: float
    ci95: Bounds
    least: float
    most: float
    effects: tuple[Effect, ...]
    lacking: tuple[str, ...]
    mounting: Mounting | None
    mounting_to_explain: float | None
    pressure_to_explain: float | None
    result: str
    own: OwnTimes | None = None


class Sides(NamedTuple):
    """The conditions of both runs, whether their setup is the same, and the oil's model where the
    medium of both is oil."""

    before: Mapping[str, Condition]
    after: Mapping[str, Condition]
    same_setup: bool
    oil: OilModel | None

    def known(self, name: str) -> bool:
        return name in self.before and name in self.after

    def u(self, name: str) -> float:
        return u_between(self.before[name], self.after[name], same_setup=self.same_setup)


def allowed_for(
    figure: str, found: Difference, sides: Sides, slopes: Sequence[Slopes],
    mounting: Mounting | None, own: OwnTimes | None = None,
) -> AllowedFor:  # fmt: skip
    """Correct the difference of a figure ("response_ms", "release_ms") for what is known of
    conditions, mounting and both rigs' `own` times. With several `slopes` of one condition, the
    first that holds is used."""
    effects = tuple(effects_of(figure, found.before.mean, found.after.mean, sides, slopes))
    known = [one for one in effects if one.known]
    shift = math.fsum(one.low for one in known) + (0.0 if own is None else own.shift)
    parts = [(found.standard_error, found.dof)] + [(one.u, one.dof) for one in effects]
    parts += () if own is None else own.parts
    spread = 0.0 if mounting is None else math.sqrt(2) * mounting.sd
    if mounting is not None:
        parts.append((spread, mounting.dof))
    u = math.sqrt(math.fsum(part**2 for part, _ in parts))
    below = math.fsum(part**4 / dof for part, dof in parts if part > 0)
    dof = max(u**4 / below, 1.0) if below > 0 else math.inf
    apart = found.difference - shift
    p, ci = _p(apart, u, dof), around(apart, u, dof)
    low = math.fsum(one.low for one in effects if not one.known)
    high = math.fsum(one.high for one in effects if not one.known)
    least, most = ci.low - high, ci.high - low
    lacking = tuple(
        name for name in UNITS
        if not sides.known(name) and name != ENGINE and (name != OIL or sides.oil is not None)
    )  # fmt: skip
    sure = not least <= 0 <= most and mounting is not None and PRESSURE not in lacking
    result = NOT_SHOWN if not p < ALPHA else REAL if sure else WITHHELD
    nearest = max(apart - high, low - apart, 0.0)
    spare = (nearest / 1.959964) ** 2 - (u**2 - spread**2)
    of_pressure = None
    if PRESSURE in lacking:
        exponent = max(abs(one) for one in EXPONENTS.get((figure, PRESSURE), ANY))
        ratio = 1 + found.difference / found.before.mean if found.before.mean > 0 else 0.0
        of_pressure = abs(ratio ** (-1 / exponent) - 1) if ratio > 0 else None
    return AllowedFor(
        apart, u, dof, p, ci, least, most, effects, lacking, mounting,
        math.sqrt(spare / 2) if spare > 0 else None, of_pressure, result, own,
    )  # fmt: skip


def alike_when_allowed(allowed: AllowedFor, margin: float) -> Equivalence:
    """Is the difference smaller than `margin` either way, for every effect that the conditions may
    have had? Two one-sided tests at both ends of those effects, the worse one decides."""
    low = allowed.ci95.low - allowed.least  # what unknown effects may subtract, and add
    high = allowed.most - allowed.ci95.high
    tests = [
        equivalence_of(end, allowed.standard_error, allowed.dof, margin)
        for end in (allowed.difference - low, allowed.difference + high)
        if math.isfinite(end)
    ]
    if len(tests) < 2:
        return Equivalence(margin, 1.0, Bounds(-math.inf, math.inf), UNDECIDED)
    results = {one.result for one in tests}
    same_side = (allowed.difference - low > 0) == (allowed.difference + high > 0)
    result = tests[0].result if len(results) == 1 else UNDECIDED
    if result == REFUTED and not same_side:
        result = UNDECIDED
    return Equivalence(
        margin, max(one.p for one in tests), Bounds(tests[0].ci90.low, tests[1].ci90.high), result
    )


def _p(apart: float, u: float, dof: float) -> float:
    from scipy import special

    if not u > 0:
        return 1.0 if apart == 0 else 0.0
    t = abs(apart) / u
    return 2 * float(special.ndtr(-t) if math.isinf(dof) else special.stdtr(dof, -t))


def effects_of(
    figure: str, mean_before: float, mean_after: float, sides: Sides, slopes: Sequence[Slopes]
) -> list[Effect]:
    """Effect on the mean time (ms) of each condition that is known on both sides, in the order of
    UNITS. With several `slopes` of one condition, the first that holds is used."""
    effects: list[Effect] = []
    left = [name for name in UNITS if sides.known(name) and (name != OIL or sides.oil is not None)]
    for one in slopes:
        names = [
            name for name in left if name in one.names
            and one.holds(name, sides.before[name].value, sides.after[name].value)
        ]  # fmt: skip
        effects += _by_slopes(one, names, sides)
        left = [name for name in left if name not in names]
    for name in left:
        values = sides.before[name].value, sides.after[name].value
        if name == OIL and sides.oil is not None:
            effects.append(_by_viscosity(mean_after, sides.oil, sides.u(OIL), *values))
        elif name != ENGINE:  # it acts through the pressure, which is compared itself
            effects.append(_by_power(figure, name, mean_before, sides, *values))
    order = list(UNITS)
    return sorted(effects, key=lambda one: order.index(one.condition))


def _by_slopes(slopes: Slopes, names: Sequence[str], sides: Sides) -> list[Effect]:
    """One effect per condition; slopes that were fitted together share their uncertainty, which is
    given with the first of them."""
    moved = {name: sides.after[name].value - sides.before[name].value for name in names}
    _, together = slopes.effect(moved)
    effects = []
    for n, name in enumerate(names):
        value, _ = slopes.effect({name: moved[name]})
        at = slopes.names.index(name)
        of_condition = abs(float(slopes.values[at])) * sides.u(name)
        effects.append(
            Effect(
                name, sides.before[name].value, sides.after[name].value, True, value, value,
                math.hypot(together if n == 0 else 0.0, of_condition), slopes.dof, slopes.how,
            )
        )  # fmt: skip
    return effects


def _by_power(
    figure: str, name: str, mean: float, sides: Sides, before: float, after: float
) -> Effect:
    low, high = EXPONENTS.get((figure, name), ANY)
    if not (before > 0 and after > 0):
        ends = [-math.inf, math.inf]
        return Effect(name, before, after, False, ends[0], ends[1], 0.0, math.inf, "")
    ends = sorted(mean * ((after / before) ** k - 1) for k in (low, high))
    # the exponent is anything in between: its root mean square carries the readings' uncertainty
    exponent = math.sqrt((low**2 + low * high + high**2) / 3)
    u = mean * exponent * sides.u(name) / before
    return Effect(name, before, after, False, ends[0], ends[1], u, math.inf, "")


def _by_viscosity(mean: float, model: OilModel, u_k: float, before: float, after: float) -> Effect:
    def effect(share: float, more_k: float = 0.0) -> float:
        return mean - mean / factor(model, after + more_k, before, share)

    known = model.share_low == model.share_high
    try:
        ends = sorted((effect(model.share_low), effect(model.share_high)))
        middle = math.sqrt(
            (model.share_low**2 + model.share_low * model.share_high + model.share_high**2) / 3
        )
        width = TEMPERATURE_HALF_WIDTH_K
        per_k = (effect(middle, width) - effect(middle, -width)) / (2 * width)
    except ValueError:  # thinner than the viscosity line covers
        return Effect(OIL, before, after, False, -math.inf, math.inf, 0.0, math.inf, "")
    how = "the sheet's viscous_share" if known else ""
    return Effect(OIL, before, after, known, ends[0], ends[1], abs(per_k) * u_k, math.inf, how)
