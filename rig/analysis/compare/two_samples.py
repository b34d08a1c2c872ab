# SPDX-License-Identifier: MIT
"""Compare two sets of strokes: how far apart, how sure, alike enough, how many strokes needed.

Arrays of values (n,) in one unit, NaN left out; results in that unit. Each function needs two or
more values on both sides and gives None where there are fewer.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

from rig.analysis.stats.dependence import dependence
from rig.analysis.stats.summary import summarise
from rig.analysis.stats.two_sets import rank_p
from rig.core.recording import Float

CONFIDENCE = 0.95
POWER = 0.9
MOST_STROKES = 100_000

SHOWN, REFUTED, UNDECIDED = "shown", "refuted", "undecided"


class Bounds(NamedTuple):
    """Both ends of an interval that is always bounded."""

    low: float
    high: float


class Group(NamedTuple):
    """One side: number of values, mean and sample standard deviation; `u_mean`, `dof`, the standard
    uncertainty of the mean with dependent values counted as fewer (rig.analysis.stats.dependence),
    and `n_effective`, the number counted."""

    n: int
    mean: float
    sd: float
    u_mean: float
    dof: float
    n_effective: float


class Difference(NamedTuple):
    """After less before. `t`, `dof`, `p` and `ci95` are Welch's; `rank_p` that of the rank test;
    `effect_sd` the difference in pooled standard deviations, None where both have no spread."""

    before: Group
    after: Group
    difference: float
    standard_error: float
    t: float
    dof: float
    p: float
    ci95: Bounds
    rank_p: float
    pooled_sd: float
    effect_sd: float | None


class Equivalence(NamedTuple):
    """Two one-sided tests against `margin`: `p` is the larger of the two, `ci90` the interval that
    lies within the margin exactly when both show it at 5 %. `result`: "shown", "refuted" (the 95 %
    interval of the difference lies wholly outside), or "undecided"."""

    margin: float
    p: float
    ci90: Bounds
    result: str


def difference(before: Float, after: Float, *, ordered: bool = True) -> Difference | None:
    """Difference of the means with Welch's interval, rank test and effect. `ordered`: the values
    are in order of time, and may depend on the one before them.

    Welch, Biometrika 34 (1947) 28, as NIST/SEMATECH e-Handbook 1.3.5.3 (unequal variances); rank
    test: Mann and Whitney, Ann. Math. Stat. 18 (1947) 50, exact for few values without ties. The
    pooled sd is that of 1.3.5.3 (weighted by n - 1).
    """
    one, two = group(before, ordered=ordered), group(after, ordered=ordered)
    if one is None or two is None:
        return None
    part1, part2 = one.u_mean**2, two.u_mean**2
    se = math.sqrt(part1 + part2)
    apart = two.mean - one.mean
    dof = (
        (part1 + part2) ** 2 / (part1**2 / one.dof + part2**2 / two.dof)
        if se > 0
        else float(one.n + two.n - 2)
    )
    pooled = math.sqrt(((one.n - 1) * one.sd**2 + (two.n - 1) * two.sd**2) / (one.n + two.n - 2))
    t, p = _welch(apart, se, dof)
    return Difference(
        one, two, apart, se, t, dof, p, around(apart, se, dof), rank_p(before, after), pooled,
        apart / pooled if pooled > 0 else None,
    )  # fmt: skip


def group(values: Float, *, ordered: bool = True) -> Group | None:
    """n, mean and sd of `values` (n,); None with fewer than two."""
    found, known = summarise(values), dependence(values, ordered=ordered)
    if found.mean is None or found.sd is None or known is None:
        return None
    return Group(found.n, found.mean, found.sd, known.u_mean, known.dof, known.n_effective)


def _welch(apart: float, se: float, dof: float) -> tuple[float, float]:
    from scipy import special

    if se > 0:
        t = apart / se
        return t, 2 * float(special.stdtr(dof, -abs(t)))
    # no spread at all: equal is equal, any difference is certain
    return (0.0, 1.0) if apart == 0 else (math.copysign(math.inf, apart), 0.0)


def around(value: float, se: float, dof: float, confidence: float = CONFIDENCE) -> Bounds:
    """value -+ t se, with `dof` degrees of freedom (infinity: normal)."""
    from scipy import special

    share = 0.5 + confidence / 2
    t = float(special.ndtri(share) if math.isinf(dof) else special.stdtrit(dof, share))
    return Bounds(value - t * se, value + t * se)


def equivalence(found: Difference, margin: float) -> Equivalence:
    """Is the difference smaller than `margin` (above 0) either way?

    Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657, with Welch's standard error and degrees
    of freedom. "No difference was found" is not the same: few strokes never find one.
    """
    return equivalence_of(found.difference, found.standard_error, found.dof, margin)


def equivalence_of(apart: float, se: float, dof: float, margin: float) -> Equivalence:
    """The same from a difference, its standard error and degrees of freedom."""
    from scipy import special

    inside = margin - abs(apart)
    if se > 0:
        t = inside / se
        p = float(special.ndtr(-t) if math.isinf(dof) else special.stdtr(dof, -t))
    else:  # no spread at all means it is unknown: too few strokes, or a clock too coarse
        return Equivalence(margin, 1.0, Bounds(apart, apart), UNDECIDED)
    ci95 = around(apart, se, dof)
    if p <= 0.05:
        result = SHOWN
    else:
        result = REFUTED if ci95.low > margin or ci95.high < -margin else UNDECIDED
    return Equivalence(margin, p, around(apart, se, dof, 0.9), result)


def power(n: int, effect_sd: float, alpha: float = 0.05) -> float:
    """Probability that `n` strokes in each run show a difference of `effect_sd` (two-sided t test).

    Noncentral t: Cohen, Statistical Power Analysis, 2nd ed.; equal spread in both runs.
    """
    from scipy import special

    dof, shift = 2 * n - 2, abs(effect_sd) * math.sqrt(n / 2)
    t = float(special.stdtrit(dof, 1 - alpha / 2))
    if shift > 35:  # beyond any doubt, and beyond what the library computes
        return 1.0
    low = float(special.nctdtr(dof, shift, -t))
    return 1.0 - float(special.nctdtr(dof, shift, t)) + (low if math.isfinite(low) else 0.0)


def strokes_to_see(effect_sd: float, wanted: float = POWER, alpha: float = 0.05) -> int | None:
    """Strokes in each run that show a difference of `effect_sd` with the `wanted` power; None for
    no effect or more than MOST_STROKES."""
    return _least(lambda n: power(n, effect_sd, alpha) >= wanted) if effect_sd else None


def equivalence_power(n: int, margin_sd: float, true_sd: float = 0.0) -> float:
    """Probability that `n` strokes in each run show equivalence within `margin_sd` when the runs
    really differ by `true_sd` (both in sd), at 5 %.

    The difference of means is normal, the spread at its expected value; right to about 0.01 from
    ten strokes up (checked against simulation in the tests).
    """
    from scipy import special

    dof, se = 2 * n - 2, math.sqrt(2 / n)
    room = margin_sd - float(special.stdtrit(dof, 0.95)) * se
    if room <= 0:
        return 0.0
    return float(special.ndtr((room - true_sd) / se) - special.ndtr((-room - true_sd) / se))


def strokes_to_equate(margin_sd: float, true_sd: float = 0.0, wanted: float = POWER) -> int | None:
    """Strokes in each run that show equivalence with the `wanted` power; None where the true
    difference is not inside the margin, or for more than MOST_STROKES."""
    if not margin_sd > abs(true_sd):
        return None
    return _least(lambda n: equivalence_power(n, margin_sd, true_sd) >= wanted)


def _least(enough: Callable[[int], bool]) -> int | None:
    """The smallest n >= 2 that is enough, for a test that stays true once it is."""
    low, high = 1, 2
    while not enough(high):
        low, high = high, 2 * high
        if low >= MOST_STROKES:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high
