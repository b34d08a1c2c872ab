# SPDX-License-Identifier: MIT
"""How a run behaved beyond its mean: spread, first stroke, drift, charts, outliers, misses."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from rig.analysis.measure import marks
from rig.analysis.measure.stroke_table import StrokeTable
from rig.analysis.stats.capability import Capability, capability
from rig.analysis.stats.control_charts import Chart, chart
from rig.analysis.stats.dependence import dependence, lag1, phi_of
from rig.analysis.stats.intervals import (
    Interval,
    Percentile,
    Robust,
    percentile,
    robust_pair,
    sd_interval,
)
from rig.analysis.stats.outliers import Fences, Grubbs, fences, grubbs
from rig.analysis.stats.proportion import clopper_pearson, reliability_words, upper_bound, wilson
from rig.analysis.stats.summary import summarise
from rig.analysis.stats.tolerance import one_sided, two_sided
from rig.analysis.stats.trend import Change, Trend, changes, trend
from rig.config.sheet.model import Accept
from rig.core.figures import Figure, figures_of
from rig.core.recording import Bool, Float, Int64

PERCENTILES = (5, 50, 95)
LEAST_LATER = 5
LEAST_TOLERANCE = 10
FIRST_CONFIDENCE = 0.99


class FirstStroke(NamedTuple):
    """How much longer the first stroke took than the median of the later ones. `p`: the probability
    that another stroke like the later ones lies as far from their mean (t, two-sided)."""

    excess_ms: float
    p: float | None
    stands_out: bool


class Spread(NamedTuple):
    """Spread of one figure; None for anything that needs more strokes."""

    sd_ci95: Interval
    tolerance_95_95: Interval
    percentiles: dict[str, Percentile]
    robust: Robust | None
    lag1: float | None
    n_effective: float | None
    tolerance_95_95_lower: float | None
    tolerance_95_95_upper: float | None


class FigureBehaviour(NamedTuple):
    """Everything about one figure (response or release). `warm_up_strokes`: the strokes before the
    only change of level, where that lies in the first half of the run."""

    spread: Spread
    first: FirstStroke | None
    trend: Trend | None
    changes: tuple[Change, ...]
    warm_up_strokes: int
    charts: Chart | None
    grubbs: Grubbs | None
    fences: Fences | None
    capability: Capability | None


class MissedShare(NamedTuple):
    """`n` of `of` strokes that ran their full time were missed. `upper95` is the one-sided bound of
    that share, 0 to 1 (Clopper-Pearson); `ci95` and `wilson95` are two-sided."""

    n: int
    of: int
    upper95: float | None
    ci95: Interval
    wilson95: Interval
    words: str


class Behaviour(NamedTuple):
    """Behaviour of a run: `figures` by key."""

    number: Int64
    figures: dict[str, FigureBehaviour]
    missed: MissedShare


def behaviour(table: StrokeTable, accepts: Sequence[Accept] = ()) -> Behaviour:
    """Behaviour over the strokes of `table`; limits for single strokes come from `accepts`.

    Uses every steady stroke with a number, outliers included. Strokes after a rest are a separate
    figure; strokes cut short are in no figure and are neither answered nor missed. Cost grows with
    the square of the strokes up to trend.LARGEST_N.
    """
    doubtful = (table.mark_bits & marks.DOUBTFUL_BITS) != 0
    return Behaviour(
        table.number,
        {
            key: figure_behaviour(
                table.number,
                table.figure(key),
                *limits(accepts, figure),
                doubtful=doubtful,
                steady=table.counted,
            )
            for key, figure in figures_of("strokes").items()
        },
        missed_share(int(table.missed.sum()), int(np.count_nonzero(table.whole))),
    )


def limits(accepts: Sequence[Accept], figure: Figure) -> tuple[float | None, float | None]:
    """The sheet's tightest limits for the figure of a single stroke."""
    each = [a for a in accepts if a.figure == figure.name and a.of == "each"
            and a.strokes_of != "rest"]  # fmt: skip
    low = max((a.min_value for a in each if a.min_value is not None), default=None)
    high = min((a.max_value for a in each if a.max_value is not None), default=None)
    return low, high


def figure_behaviour(
    number: Int64,
    values: Float,
    low: float | None = None,
    high: float | None = None,
    doubtful: Bool | None = None,
    steady: Bool | None = None,
) -> FigureBehaviour:
    """All about one figure: `values` (n,) in ms, NaN where there is no number; `number` (n,).

    All but the first stroke's figure use the `steady` strokes only (n,; None: all). Tolerance
    intervals and capability leave out `doubtful` (n,) strokes."""
    sure = values if doubtful is None else np.where(doubtful, np.nan, values)
    first = first_stroke(number, sure)  # a doubtful stroke must not hide it
    if steady is not None:
        values, sure = (np.where(steady, column, np.nan) for column in (values, sure))
    moved = changes(number, values)
    return FigureBehaviour(
        spread(values, sure), first, trend(number, values), moved, _warm_up(number, moved),
        chart(number, values, _phi_about_levels(number, values, moved)), grubbs(values),
        fences(values), capability(sure, low, high),
    )  # fmt: skip


def _phi_about_levels(number: Int64, values: Float, moved: tuple[Change, ...]) -> float:
    """Correlation of each value with the next, each about its own level. A detected shift is not
    correlation, and must not widen the limits that should show it."""
    known = np.isfinite(values)
    v, at = values[known].copy(), np.searchsorted(number[known], [one.number for one in moved])
    for part in np.split(v, at):  # views
        if len(part):
            part -= part.mean()
    return phi_of(v)


def spread(values: Float, steady: Float) -> Spread:
    """Intervals and percentiles of `values` (n,), NaN left out; tolerance intervals of `steady`,
    from LEAST_TOLERANCE numbers up and never below zero, since these are times."""
    enough = int(np.isfinite(steady).sum()) >= LEAST_TOLERANCE
    kept = steady if enough else steady[:0]
    known, of_kept = dependence(values), dependence(kept)
    worth = known.whole if known else None
    shares = {f"p{share}": percentile(values, share / 100, worth=worth) for share in PERCENTILES}
    one = _time(one_sided(kept, known=of_kept))
    return Spread(
        sd_interval(values, known=known), _time(two_sided(kept, known=of_kept)),
        {name: found for name, found in shares.items() if found is not None},
        robust_pair(values), lag1(values), known.n_effective if known else None, one.low, one.high,
    )  # fmt: skip


def _time(found: Interval) -> Interval:
    return found if found.low is None else found._replace(low=max(found.low, 0.0))


def first_stroke(number: Int64, values: Float) -> FirstStroke | None:
    """The first stroke after rest against the later ones; None where it has no number or there are
    fewer than LEAST_LATER others.

    It stands out beyond the 99 % prediction interval of one more stroke: mean -+ t sd
    sqrt(1 + 1/n) (NIST/SEMATECH e-Handbook 7.2.6 gives the tolerance forms; Hahn and Meeker,
    Statistical Intervals).
    """
    from scipy import special

    if not len(values) or number[0] != 1 or not math.isfinite(values[0]):
        return None
    later = values[1:][np.isfinite(values[1:])]
    found = summarise(later)
    if found.n < LEAST_LATER or found.mean is None or found.median is None:
        return None
    excess, p = float(values[0]) - found.median, None
    if found.sd:
        t = abs(float(values[0]) - found.mean) / (found.sd * math.sqrt(1 + 1 / found.n))
        p = 2 * float(special.stdtr(found.n - 1, -t))
    return FirstStroke(excess, p, p is not None and p < 1 - FIRST_CONFIDENCE)


def _warm_up(number: Int64, moved: tuple[Change, ...]) -> int:
    if len(moved) != 1 or 2 * (moved[0].number - number[0]) > number[-1] - number[0]:
        return 0
    return int(moved[0].number - number[0])


def missed_share(n: int, of: int) -> MissedShare:
    """Missed strokes as a share, with a statement in words."""
    return MissedShare(
        n, of, upper_bound(n, of), clopper_pearson(n, of), wilson(n, of), reliability_words(n, of)
    )
