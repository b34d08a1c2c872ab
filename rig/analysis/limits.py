# SPDX-License-Identifier: MIT
"""One acceptance limit held against the numbers of its figure.

It knows nothing of edges or samples. What is judged comes as `Measured`: numbers, and how far the
true value may lie below and above each. A limit inside that span is undecided. Uncertainty is
added to a figure by widening its span, not in here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from rig.analysis.statistics import quantile
from rig.config.figures import FIGURES
from rig.config.sheet import Accept
from rig.core.recording import Bool, Float, Int64

CONFORMS, DOES_NOT_CONFORM = "conforms", "does_not_conform"
UNDECIDED, NOT_TESTED = "undecided", "not_tested"

NAMES = {
    "response": "response time",
    "release": "release time",
    "bounce": "bounce",
    "missed": "missed strokes",
    "actuation_pressure": "actuation pressure",
    "reset_pressure": "reset pressure",
    "differential": "differential",
    "decay_rate": "decay rate",
}


@dataclass(frozen=True)
class Measured:
    """The numbers of one figure, in its unit (FIGURES): `value` (n,) finite, `label` (n,) the
    stroke or ramp of each, `below` and `above` (n,) how far the true value may lie below and
    above it, `doubtful` (n,) marked so that it decides nothing alone. `without` counts the
    strokes or ramps that should have given a number and did not."""

    value: Float
    label: Int64
    below: Float
    above: Float
    doubtful: Bool
    without: int = 0
    each_of: str = "stroke"

    @classmethod
    def of(
        cls,
        value: Float,
        label: Int64,
        doubtful: Bool,
        *,
        below: Float | float = 0.0,
        above: Float | float = 0.0,
        expected: Bool | None = None,
        each_of: str = "stroke",
    ) -> Measured:
        """From columns with NaN where there is no number; `expected` (n,) where one should be."""
        known = np.isfinite(value)
        wanted = known if expected is None else expected
        n = len(value)
        return cls(
            value[known], label[known], np.broadcast_to(below, n)[known],
            np.broadcast_to(above, n)[known], doubtful[known],
            int(np.count_nonzero(wanted & ~known)), each_of,
        )  # fmt: skip


class Missed(NamedTuple):
    """Strokes never answered, of how many, and whether the chain in front of the valve was
    shown in this run: `gap` says what was not, `next_check` what to do about it."""

    n: int
    of: int
    gap: str | None = None
    next_check: str | None = None
    shown: str = ""


@dataclass(frozen=True)
class Limit:
    """One acceptance limit and what became of it. `min`, `max`, `value` in `unit`."""

    figure: str
    of: str
    min: float | None
    max: float | None
    unit: str
    value: float | None
    n: int
    result: str
    why: str


def missed_words(missed: Missed) -> str:
    """The missed strokes in plain words, with what was not shown and the next check."""
    what = f"{missed.n} of {missed.of} strokes were never answered"
    if missed.gap is None:
        return f"{what}, with the chain in front shown in this run ({missed.shown})."
    return f"{what}. What that means is open: {missed.gap}. Next check: {missed.next_check}."


def missed_limit(accept: Accept, missed: Missed) -> Limit:
    """Hold the missed strokes against a limit: beyond it only decided with the chain shown."""
    value = float(missed.n)

    def limit(result: str, why: str) -> Limit:
        return Limit(
            "missed", accept.of, accept.min_value, accept.max_value, "", value, missed.of, result,
            why,
        )  # fmt: skip

    if missed.of == 0:
        return limit(NOT_TESTED, "No stroke was recorded.")
    low, high = _bounds(accept)
    if low <= value <= high:
        return limit(CONFORMS, f"{missed.n} of {missed.of} strokes were never answered.")
    return limit(UNDECIDED if missed.gap else DOES_NOT_CONFORM, missed_words(missed))


def figure_limit(accept: Accept, measured: Measured | None) -> Limit:
    """Hold a figure against a limit; `measured` is None where the run has no such figure."""
    unit, name = FIGURES[accept.figure].unit, NAMES[accept.figure]

    def limit(value: float | None, n: int, result: str, why: str) -> Limit:
        return Limit(
            accept.figure, accept.of, accept.min_value, accept.max_value, unit, value, n, result,
            why,
        )  # fmt: skip

    if measured is None or not len(measured.value):
        return limit(None, 0, NOT_TESTED, f"There is no {name} in this run.")
    n = len(measured.value)
    if accept.of == "each":
        value, result, why = _each(accept, measured, name, unit)
    else:
        value, result, why = _one(accept, measured, name, unit)
    if result == CONFORMS and measured.without:
        result = UNDECIDED
        lacking = f"{measured.without} {measured.each_of}{'s' if measured.without > 1 else ''}"
        why = f"{lacking} gave no {name}; the others hold the limit."
    elif result == CONFORMS and measured.doubtful.any():
        result = UNDECIDED
        count = int(measured.doubtful.sum())
        why = f"The limit on {name} is held, but {count} of {n} numbers are doubtful (see marks)."
    return limit(value, n, result, why)


def _bounds(accept: Accept) -> tuple[float, float]:
    low = -np.inf if accept.min_value is None else accept.min_value
    return low, np.inf if accept.max_value is None else accept.max_value


def _each(accept: Accept, measured: Measured, name: str, unit: str) -> tuple[float, str, str]:
    low, high = _bounds(accept)
    value = measured.value
    outside = (value - measured.below > high) | (value + measured.above < low)
    inside = (value + measured.above <= high) & (value - measured.below >= low)
    sure = outside & ~measured.doubtful
    # the number shown is the one farthest out: over the limit, or else nearest to it
    far = np.maximum(value - high, low - value)
    if sure.any():
        worst = int(np.argmax(np.where(sure, far, -np.inf)))
        return float(value[worst]), DOES_NOT_CONFORM, _words(
            accept, name, unit, float(value[worst]), int(measured.label[worst]),
            int(sure.sum()), measured,
        )  # fmt: skip
    worst = int(np.argmax(far))
    if inside.all():
        return float(value[worst]), CONFORMS, f"Each {name} is within its limit."
    count = int(np.count_nonzero(~inside))
    why = (
        f"{count} of {len(value)} numbers of {name} lie too near the limit, or are too doubtful, "
        "to tell."
    )
    return float(value[worst]), UNDECIDED, why


def _one(accept: Accept, measured: Measured, name: str, unit: str) -> tuple[float, str, str]:
    low, high = _bounds(accept)
    value = _reduce(measured.value, accept.of)
    least = _reduce(measured.value - measured.below, accept.of)
    most = _reduce(measured.value + measured.above, accept.of)
    what = f"{accept.of} {name}"
    if least > high or most < low:
        if measured.doubtful.any():
            count = int(measured.doubtful.sum())
            why = f"The {what} is outside its limit, but {count} of its numbers are doubtful."
            return value, UNDECIDED, why
        return value, DOES_NOT_CONFORM, _words(accept, what, unit, value, None, 1, measured)
    if most <= high and least >= low:
        return value, CONFORMS, f"The {what} is within its limit."
    why = f"The limit of the {what} lies within its uncertainty ({_span(least, most, unit)})."
    return value, UNDECIDED, why


def _reduce(value: Float, of: str) -> float:
    match of:
        case "mean":
            return float(value.mean())
        case "median":
            return float(np.median(value))
        case "p95":
            return quantile(value, 0.95)
        case "total":
            return float(value.sum())
    raise ValueError(of)


def _words(
    accept: Accept, name: str, unit: str, value: float, label: int | None, count: int,
    measured: Measured,
) -> str:  # fmt: skip
    over = accept.max_value is not None and value > accept.max_value
    limit = accept.max_value if over else accept.min_value
    where = "" if label is None else f" in {measured.each_of} {label}"
    more = f" ({count} of {len(measured.value)} are)" if label is not None and count > 1 else ""
    side = "above" if over else "below"
    name = name[0].upper() + name[1:]
    return f"{name} of {_number(value, unit)}{where} is {side} {_number(limit, unit)}{more}."


def _number(value: float | None, unit: str) -> str:
    shown = f"{value:.4g}" if value is not None else "?"
    return f"{shown} {unit}".strip()


def _span(least: float, most: float, unit: str) -> str:
    return f"{least:.4g} to {_number(most, unit)}"
