# SPDX-License-Identifier: MIT
"""Judge the median, 95 % quantile and tolerance bounds against limits.

With enough numbers, a quantile lies between two order statistics with a confidence that assumes no
distribution (intervals.percentile_ranks). With fewer, and for a tolerance bound, the numbers are
assumed normal (tolerance.one_sided_factor).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from rig.analysis.stats.dependence import dependence
from rig.analysis.stats.intervals import percentile_ranks
from rig.analysis.stats.summary import quantile, summarise
from rig.analysis.stats.tolerance import one_sided_factor, two_sided_factor
from rig.analysis.verdict.decision_rule import (
    CONFORMS,
    DOES_NOT_CONFORM,
    UNDECIDED,
    Decision,
    strokes_needed,
)
from rig.core.recording import Float

SHARE = 0.95
"""The share of all strokes that "p95" and "tolerance" refer to."""
AS_NORMAL = " (Too few numbers for a bound free of any assumption: taken as normally distributed.)"


class Percentile(NamedTuple):
    """The value shown, the decision, the range it lies in, strokes needed, a note."""

    value: float
    decision: Decision
    least: float
    most: float
    needed: int | None
    note: str


class _Bounds(NamedTuple):
    """Confidence bounds. `upper`: of the value judged against the upper limit; `over`: its lower
    bound (beyond the limit, it shows that the limit is broken). `lower`, `under` likewise."""

    upper: float
    over: float
    lower: float
    under: float

    def widened(self, below: float, above: float) -> _Bounds:
        return _Bounds(
            self.upper + above, self.over - below, self.lower - below, self.under + above
        )

    def result(self, low: float, high: float) -> str:
        if self.upper <= high and self.lower >= low:
            return CONFORMS
        if self.over > high or self.under < low:
            return DOES_NOT_CONFORM
        return UNDECIDED


def decide_percentile(
    value: Float,
    of: str,
    limits: tuple[float, float],
    risk: float,
    margin: float,
    below: float,
    above: float,
) -> Percentile:
    """Judge `of` ("median", "p95" or "tolerance") of `value` (n,), n >= 1, against `limits`.

    Values that depend on one another are counted at their effective number (dependence). `below`,
    `above` is how far off each single number may be, the instrument's part; it is added in full,
    since it may affect all alike. `risk` is that of each bound.
    """
    low, high = limits
    found, known = summarise(value), dependence(value)
    mean, sd = float(found.mean or 0.0), None if known is None else known.sd
    n = 1 if known is None else known.whole  # effective number
    share = 0.5 if of == "median" else SHARE
    two_sided = of == "tolerance" and math.isfinite(low) and math.isfinite(high)
    note = ""
    free = None if of == "tolerance" else _free(np.sort(value), share, risk, n)
    open_ = free is None or not all(
        math.isfinite(bound)
        for bound, limit in ((free.upper, high), (free.lower, low))
        if math.isfinite(limit)
    )
    if sd is None:
        bounds = free or _Bounds(math.inf, -math.inf, -math.inf, math.inf)
        note = " One number has no spread: at least two are needed." if open_ else ""
    elif open_ or free is None:
        bounds = _normal(mean, sd, n, share, risk, of == "tolerance", two_sided)
        note = "" if of == "tolerance" else AS_NORMAL
    else:
        bounds = free
    bounds = bounds.widened(below, above)
    shown = quantile(value, share)
    if of == "tolerance" and sd is not None:
        plain = _normal(mean, sd, n, share, risk, True, two_sided)
        shown = plain.upper if math.isfinite(high) else plain.lower
    least, most = (
        (bounds.over, bounds.upper) if math.isfinite(high) else (bounds.lower, bounds.under)
    )
    result = bounds.result(low, high)
    if margin > 0:
        result = _with_margin(result, shown, low, high, margin)
    guard = most - shown if math.isfinite(high) else shown - least
    if of == "tolerance":  # the bound itself is shown: only the instrument's part comes before it
        guard = above
    outside = {CONFORMS: risk, DOES_NOT_CONFORM: 1 - risk}.get(result, math.nan)
    needed = None
    if result == UNDECIDED and sd is not None:

        def decided(more: int) -> bool:
            later = _normal(mean, sd, more, share, risk, of == "tolerance", two_sided)
            later_result = later.widened(below, above).result(low, high)
            if margin > 0:
                later_result = _with_margin(later_result, shown, low, high, margin)
            return later_result != UNDECIDED

        more = strokes_needed(decided, n)
        needed = None if more is None else math.ceil(more * len(value) / n)
    return Percentile(
        shown, Decision(result, outside, max(guard, margin)), least, most, needed, note
    )


def _free(ranked: Float, share: float, risk: float, worth: int) -> _Bounds:
    """From order statistics; infinite where there are too few values."""
    first, last = percentile_ranks(len(ranked), share, 1 - 2 * risk, worth)
    least = -math.inf if first is None else float(ranked[first - 1])
    most = math.inf if last is None else float(ranked[last - 1])
    return _Bounds(most, least, least, most)


def _normal(
    mean: float, sd: float, n: int, share: float, risk: float, tolerance: bool, two_sided: bool
) -> _Bounds:
    """Bounds of the share's quantile of a normal distribution. For a tolerance, the lower limit is
    judged against the opposite quantile."""
    wide, narrow = one_sided_factor(n, share, 1 - risk), one_sided_factor(n, share, risk)
    if not tolerance:
        upper, over = mean + wide * sd, mean + narrow * sd
        return _Bounds(upper, over, over, upper)
    reach = two_sided_factor(n, share, 1 - risk) if two_sided else wide
    return _Bounds(mean + reach * sd, mean + narrow * sd, mean - reach * sd, mean - narrow * sd)


def _with_margin(result: str, shown: float, low: float, high: float, margin: float) -> str:
    inside = low + margin <= shown <= high - margin
    beyond = shown >= high + margin or shown <= low - margin
    kept = (result == CONFORMS and inside) or (result == DOES_NOT_CONFORM and beyond)
    return result if kept else UNDECIDED
