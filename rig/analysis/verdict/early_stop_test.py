# SPDX-License-Identifier: MIT
"""A run that may stop before its last stroke: Wald's sequential probability ratio test.

Wald, Sequential Analysis (1947), chapter 5: weigh an acceptable share of failing strokes against an
unacceptable one until the strokes so far favour one of them enough. The chance of stopping with the
wrong one is about `alpha` where the acceptable share is true and about `beta` where the
unacceptable one is (at most alpha / (1 - beta) and beta / (1 - alpha)).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from rig.analysis.measure.stroke_table import StrokeTable
from rig.config.sheet.model import Accept, EarlyStop, Sheet, StrokesSheet
from rig.core.figures import FIGURES, figures_of

GO_ON, FEW, MANY = "go on", "few enough fail", "too many fail"
BOUNCES = ("bounce_on", "bounce_off")


class Sequential(NamedTuple):
    """State of the test after `n` strokes with `failed` failures: the decision, the logarithm of
    the likelihood ratio (unacceptable over acceptable), and the bounds at which it stops."""

    decision: str
    n: int
    failed: int
    ratio: float
    lower: float
    upper: float

    def words(self, plan: EarlyStop) -> str:
        """The decision in plain words."""
        share = plan.unacceptable if self.decision == FEW else plan.acceptable
        risk = plan.beta if self.decision == FEW else plan.alpha
        side = "below" if self.decision == FEW else "above"
        return (
            f"{self.failed} of {self.n} strokes failed: the share that fails lies {side} "
            f"{100 * share:g} % with about {100 * risk:g} % risk of being wrong (Wald's test)"
        )


def sequential(n: int, failed: int, plan: EarlyStop) -> Sequential:
    """Decide after `n` strokes. Below `plan.least` strokes the test always goes on. Raises
    ValueError unless 0 <= failed <= n."""
    if not 0 <= failed <= n:
        raise ValueError(f"{failed} of {n} strokes cannot have failed")
    p0, p1 = plan.acceptable, plan.unacceptable
    ratio = failed * math.log(p1 / p0) + (n - failed) * math.log((1 - p1) / (1 - p0))
    lower = math.log(plan.beta / (1 - plan.alpha))
    upper = math.log((1 - plan.beta) / plan.alpha)
    decision = GO_ON
    if n >= plan.least and not lower < ratio < upper:
        decision = FEW if ratio <= lower else MANY
    return Sequential(decision, n, failed, ratio, lower, upper)


def fails(stroke: Mapping[str, Any], accepts: Sequence[Accept]) -> bool:
    """Whether one stroke (its JSON) fails: missed, no number where there is a limit, or beyond a
    limit of `each`. Uses the number as it is, without uncertainty."""
    if not stroke["answered"]:
        return True
    for accept in accepts:
        first = stroke["number"] == 1  # a planned run has no other stroke after a rest
        if accept.of != "each" or accept.strokes_of == ("steady" if first else "rest"):
            continue
        key = FIGURES[accept.figure].key
        for column in (key,) if key else BOUNCES:
            value = stroke[column]
            if value is None or not _within(float(value), accept):
                return True
    return False


def _within(value: float, accept: Accept) -> bool:
    low = -math.inf if accept.min_value is None else accept.min_value
    high = math.inf if accept.max_value is None else accept.max_value
    return low <= value <= high


class EarlyStopCount:
    """Count strokes as they come in and say, once, that the run may stop."""

    def __init__(self, plan: EarlyStop, accepts: Sequence[Accept]) -> None:
        self._plan, self._accepts = plan, accepts
        self.n = self.failed = 0
        self._told = False

    def stroke(self, stroke: Mapping[str, Any]) -> str | None:
        """Add one completed stroke; return the words if it decides the test, else None."""
        self.n += 1
        self.failed += fails(stroke, self._accepts)
        found = sequential(self.n, self.failed, self._plan)
        if self._told or found.decision == GO_ON:
            return None
        self._told = True
        return found.words(self._plan)


def sequential_of(sheet: Sheet | None, table: StrokeTable) -> Sequential | None:
    """The test after all strokes of `table`; None where the sheet asks for none."""
    if not isinstance(sheet, StrokesSheet) or sheet.early_stop is None:
        return None
    names = ["number", "answered", *figures_of("strokes"), *BOUNCES]
    failed = 0
    for row in zip(*(getattr(table, name).tolist() for name in names), strict=True):
        stroke = {
            name: None if value != value or value == -1 else value  # NaN, or no count
            for name, value in zip(names, row, strict=True)
        }
        failed += fails(stroke, sheet.accept)
    return sequential(len(table), failed, sheet.early_stop)
