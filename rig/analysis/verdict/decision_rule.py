# SPDX-License-Identifier: MIT
"""The decision rule: is a value within its limits, beyond them, or undecided?

JCGM 106:2012 (conformance probability from the whole distribution of what is known of the value,
8.2 to 8.4; guard bands 8.3.2), applied both ways as ISO 14253-1:2017 asks: both conformity and
non-conformity must be shown. Clause numbers from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

from rig.analysis.stats.propagation import Spread
from rig.analysis.stats.uncertainty import Budget

CONFORMS, DOES_NOT_CONFORM, UNDECIDED = "conforms", "does_not_conform", "undecided"
MOST_STROKES = 100_000


class Estimate(NamedTuple):
    """What is known of one value: distribution `spread` about `best`; None for an exact value (a
    count)."""

    best: float
    spread: Spread | None

    @classmethod
    def of(cls, budget: Budget) -> Estimate:
        """From the result of a budget."""
        return cls(budget.best, budget.spread)

    def above(self, limit: float) -> float:
        """Probability that the value lies above `limit`."""
        if math.isinf(limit):
            return 0.0
        if self.spread is None:
            return float(self.best > limit)
        return 1.0 - self.spread.cdf(limit - self.best)

    def below(self, limit: float) -> float:
        """Probability that it lies below `limit`."""
        if math.isinf(limit):
            return 0.0
        if self.spread is None:
            return float(self.best < limit)
        return self.spread.cdf(limit - self.best)

    def reach(self, risk: float) -> float:
        """How far above (or below) `best` the value lies with probability `risk` at most."""
        return 0.0 if self.spread is None else self.spread.quantile(1 - risk)


class Decision(NamedTuple):
    """`result`; `outside` the probability that the value lies beyond its limits; `guard_band` how
    far inside (or outside) a limit the value must lie for a decision."""

    result: str
    outside: float
    guard_band: float

    @property
    def wrong(self) -> float:
        """Probability that the result is wrong; for an undecided one, that it lies outside."""
        return 1 - self.outside if self.result == DOES_NOT_CONFORM else self.outside


def decided(
    estimate: Estimate, low: float, high: float, risk: float, margin: float = 0.0
) -> tuple[str, float]:
    """Result of an estimate against limits (`low`, `high`, infinite where there is none), and the
    probability that the value lies outside.

    It conforms where the probability of lying outside is at most `risk`, and does not conform where
    the probability of lying inside is at most `risk`. Where `margin` is larger than the guard band
    from the uncertainty, only values at least that far from the limit are decided.
    """
    best = estimate.best
    outside = min(estimate.above(high) + estimate.below(low), 1.0)
    if outside <= risk and low + margin <= best <= high - margin:
        return CONFORMS, outside
    # a value without uncertainty exactly on the limit is within
    beyond = (best > high and best >= high + margin) or (best < low and best <= low - margin)
    if 1 - outside <= risk and beyond:
        return DOES_NOT_CONFORM, outside
    return UNDECIDED, outside


def decide(
    estimate: Estimate, low: float, high: float, risk: float, margin: float = 0.0
) -> Decision:
    """As `decided`, with the guard band."""
    guard = max(estimate.reach(risk), margin)
    return Decision(*decided(estimate, low, high, risk, margin), guard)


def strokes_needed(enough: Callable[[int], bool], n: int) -> int | None:
    """Smallest number of strokes above `n`, up to 100,000, for which `enough` holds; None where
    there is none. Once true, `enough` must stay true."""
    high = max(2 * n, 4)
    while not enough(high):
        high *= 2
        if high > MOST_STROKES:
            return None
    low = n
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high
