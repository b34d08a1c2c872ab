# SPDX-License-Identifier: MIT
"""Reduce a figure's numbers as the sheet asks (each, mean, median, p95, tolerance), with the
uncertainty of the result, and decide it against limits."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from rig.analysis.measure.hold import OpenBecause
from rig.analysis.stats.dependence import REPEATABILITY, dependence
from rig.analysis.stats.propagation import DIVISORS, Part, Spread
from rig.analysis.stats.summary import summarise
from rig.analysis.stats.uncertainty import Budget
from rig.analysis.verdict.decision_rule import (
    CONFORMS,
    DOES_NOT_CONFORM,
    UNDECIDED,
    Decision,
    Estimate,
    decide,
    decided,
    strokes_needed,
)
from rig.analysis.verdict.percentile_decision import decide_percentile
from rig.core.message_ids import Message
from rig.core.recording import Bool, Float, Int64


@dataclass(frozen=True)
class Measured:
    """The numbers of one figure, in its unit (FIGURES).

    `value` (n,) is finite, `label` (n,) the stroke or ramp of each, `doubtful` (n,) marks numbers
    that decide nothing alone. `single` is the budget of one number, `mean` that of their mean;
    None where there is none. `below` is how far below the number its true value may lie without a
    budget: infinite for an unknown relay delay. `without` counts the strokes or ramps that should
    have given a number and did not. `open_because` says why the numbers cannot show that a limit is
    held; `at_least` is what they surely reached all the same.

    Where the numbers are not equally certain, `singles` are the budgets that one of them may have,
    and `kind` (n,) which of these each has. `after_rest` (n,) marks strokes after a rest, which the
    budget of the mean leaves out; `without_rest` counts those of `without` among them. `shorter`
    (n,): by how much each may be shorter, besides its budget, where the relay bounced.
    """

    value: Float
    label: Int64
    doubtful: Bool
    below: Float
    without: int = 0
    each_of: str = "stroke"
    single: Budget | None = None
    mean: Budget | None = None
    open_because: OpenBecause | None = None
    at_least: float | None = None
    singles: tuple[Budget, ...] = ()
    kind: Int64 | None = None
    after_rest: Bool | None = None
    shorter: Float | None = None
    without_rest: int = 0

    def only(self, strokes: str) -> Measured:
        """Only the "steady" strokes, those after a "rest", or "all"."""
        if self.after_rest is None:
            return self
        if strokes == "all":
            return self if not self.after_rest.any() else replace(self, mean=None)
        kept = self.after_rest if strokes == "rest" else ~self.after_rest
        return replace(
            self, value=self.value[kept], label=self.label[kept], doubtful=self.doubtful[kept],
            below=self.below[kept], mean=None if strokes == "rest" else self.mean,
            without=self.without_rest if strokes == "rest" else self.without - self.without_rest,
            after_rest=self.after_rest[kept],
            kind=None if self.kind is None else self.kind[kept],
            shorter=None if self.shorter is None else self.shorter[kept],
        )  # fmt: skip

    @classmethod
    def of(
        cls,
        value: Float,
        label: Int64,
        doubtful: Bool,
        *,
        below: Float | float = 0.0,
        expected: Bool | None = None,
        each_of: str = "stroke",
        single: Budget | None = None,
        mean: Budget | None = None,
        after_rest: Bool | None = None,
    ) -> Measured:
        """From columns with NaN where there is no number; `expected` (n,) where one is due."""
        known = np.isfinite(value)
        wanted = known if expected is None else expected
        return cls(
            value[known], label[known], doubtful[known],
            np.broadcast_to(below, len(value))[known],
            int(np.count_nonzero(wanted & ~known)), each_of, single, mean,
            after_rest=None if after_rest is None else after_rest[known],
            without_rest=0 if after_rest is None
            else int(np.count_nonzero(wanted & ~known & after_rest)),
        )  # fmt: skip


class Taken(NamedTuple):
    """The value judged, its decision, and the range it may lie in at the stated risk to either
    side; for "each", the stroke it belongs to and how many `numbers` are beyond the limit or open;
    how many strokes would settle it; a note on how it was worked out."""

    value: float
    decision: Decision
    least: float
    most: float
    label: int | None = None
    numbers: int = 0
    needed: int | None = None
    note: str = ""
    said: Sentence | None = None
    """Replaces the usual words."""


def taken(
    measured: Measured, of: str, low: float, high: float, risk: float, margin: float
) -> Taken:
    """Reduce the numbers of `measured` (at least one) as `of` says, and decide."""
    match of:
        case "each":
            every = _each(measured, low, high, risk, margin)
            because = measured.open_because
            return every if because is None else _unshown(every, measured, because, high + margin)
        case "mean":
            return _mean(measured, low, high, risk, margin)
        case "median" | "p95" | "tolerance":
            correction, below, above = _spread(measured, risk)
            found = decide_percentile(
                measured.value + correction, of, (low, high), risk, margin, below, above
            )
            return Taken(
                found.value - correction, found.decision, found.least, found.most,
                needed=found.needed, note=found.note,
            )  # fmt: skip
    raise ValueError(of)


def _unshown(found: Taken, measured: Measured, because: OpenBecause, beyond: float) -> Taken:
    """Numbers that cannot show that the limit is held, but can show that it is broken."""
    guard, least = found.decision.guard_band, measured.at_least
    if found.decision.result == DOES_NOT_CONFORM and measured.single is not None:
        return found
    if least is not None and least > beyond:
        said = f"For a time it was at least {least:.4g} kPa/s, above the limit: "
        decision = Decision(DOES_NOT_CONFORM, math.nan, guard)
    else:
        said = ""
        decision = Decision(UNDECIDED, math.nan, guard)
    return found._replace(decision=decision, said=sentence(because, said))


class Sentence(NamedTuple):
    """The words of a verdict, and what to check next where they name it."""

    text: str
    next_check: Message | None = None

    @property
    def words(self) -> str:
        """Both on one line."""
        return f"{self.text} Next check: {self.next_check}." if self.next_check else self.text


def sentence(because: OpenBecause, before: str = "") -> Sentence:
    """Put `before` in front, capitalise, and end with a full stop."""
    text = f"{before}{because.why}"
    return Sentence(f"{text[:1].upper()}{text[1:]}.", because.next_check)


def _spread(measured: Measured, risk: float) -> tuple[float, float, float]:
    """Correction of one number, and how far below and above that its true value may lie."""
    if measured.single is None:
        return 0.0, float(measured.below.max(initial=0.0)), 0.0
    own = 0.0 if measured.shorter is None else float(measured.shorter.max(initial=0.0))
    reach = max(
        one.quantile(1 - risk) - one.best for one in (measured.singles or (measured.single,))
    )
    return measured.single.correction, reach + own, reach


def _own_reach(measured: Measured, risk: float) -> tuple[Float | float, Float | float]:
    """As _spread, for each number separately."""
    if measured.single is None:
        return measured.below, 0.0
    own = 0.0 if measured.shorter is None else measured.shorter
    if not measured.singles or measured.kind is None:
        above = _spread(measured, risk)[2]
        return above + own, above
    reach = np.array([one.quantile(1 - risk) - one.best for one in measured.singles])
    return reach[measured.kind] + own, reach[measured.kind]


def _each(measured: Measured, low: float, high: float, risk: float, margin: float) -> Taken:
    value = measured.value
    correction, _, widest = _spread(measured, risk)
    below, above = _own_reach(measured, risk)
    best = value + correction
    most, least = best + above, best - below
    outside = ((least > high) & (best >= high + margin)) | ((most < low) & (best <= low - margin))
    inside = (most <= high) & (least >= low) & (best <= high - margin) & (best >= low + margin)
    sure = outside & ~measured.doubtful
    far = np.maximum(value - high, low - value)
    guard = max(widest if np.isfinite(widest) else math.nan, margin)

    def chance(place: int) -> float:
        if measured.single is None and not np.isfinite(measured.below[place]):
            return 0.0 if value[place] <= high and math.isinf(low) else math.nan
        one = measured.single
        if measured.singles and measured.kind is not None:
            one = measured.singles[measured.kind[place]]
        estimate = Estimate(float(best[place]), one.spread if one is not None else None)
        return min(estimate.above(high) + estimate.below(low), 1.0)

    # show the number farthest out: beyond the limit, or else nearest to it
    worst = int(np.argmax(np.where(sure, far, -np.inf) if sure.any() else far))
    if sure.any():
        result, numbers = DOES_NOT_CONFORM, int(sure.sum())
    elif inside.all():
        result, numbers = CONFORMS, 0
    else:
        result, numbers = UNDECIDED, int(np.count_nonzero(~inside))
    return Taken(
        float(value[worst]), Decision(result, chance(worst), guard), float(least[worst]),
        float(most[worst]), int(measured.label[worst]), numbers,
    )  # fmt: skip


def _mean(measured: Measured, low: float, high: float, risk: float, margin: float) -> Taken:
    value = measured.value
    found = summarise(value)
    n, mean = found.n, float(found.mean or 0.0)
    if found.sd is None:
        note = " One number has no spread: a mean needs at least two."
        open_ = Decision(UNDECIDED, math.nan, math.nan)
        return Taken(mean, open_, -math.inf, math.inf, needed=None, note=note)
    sd, known = found.sd, dependence(value)
    scatter = Part(known.u_mean, "t", known.dof) if known is not None and sd else None
    if measured.mean is not None:
        estimate = Estimate.of(measured.mean)
        fixed = measured.mean.parts(without=REPEATABILITY)
    elif measured.single is not None:
        fixed = measured.single.parts()
        half = 0.0 if measured.shorter is None else float(measured.shorter.mean()) / 2
        if half > 0:
            fixed.append(Part(half / DIVISORS["two-point"], "two-point"))
        spread = Spread([*fixed, scatter] if scatter else fixed)
        estimate = Estimate(mean + measured.single.correction - half, spread)
    elif np.isfinite(measured.below).all():
        estimate = Estimate(mean, Spread([scatter]) if scatter else None)
        fixed = []
    else:
        return _mean_with_unknown_delay(mean, scatter, low, high, risk, margin)
    decision = decide(estimate, low, high, risk, margin)
    reach = estimate.reach(risk)
    best = estimate.best

    def enough(more: int) -> bool:
        """Whether `more` strokes, as dependent on one another as these, would settle it."""
        spread = None
        if scatter is not None:
            part = Part(scatter.u * math.sqrt(n / more), "t", scatter.dof * more / n)
            spread = Spread([*fixed, part])
        return decided(Estimate(best, spread), low, high, risk, margin)[0] != UNDECIDED

    needed = strokes_needed(enough, n) if decision.result == UNDECIDED else None
    note = ""
    if decision.result == UNDECIDED and needed is None:
        note = " More strokes would not settle it: the instrument's own part is too large."
    return Taken(mean, decision, best - reach, best + reach, needed=needed, note=note)


def _mean_with_unknown_delay(
    mean: float, scatter: Part | None, low: float, high: float, risk: float, margin: float
) -> Taken:
    """An unknown delay makes the true mean shorter: only an upper limit can be shown to be held."""
    estimate = Estimate(mean, Spread([scatter]) if scatter else None)
    decision = decide(estimate, -math.inf, high, risk, margin)
    if decision.result == DOES_NOT_CONFORM or math.isfinite(low):
        decision = Decision(UNDECIDED, math.nan, decision.guard_band)
    note = " The relay's delay is in it and is not known." if decision.result == UNDECIDED else ""
    return Taken(mean, decision, -math.inf, mean + estimate.reach(risk), note=note)
