# SPDX-License-Identifier: MIT
"""Judge one acceptance limit against the numbers of its figure.

Knows nothing of edges or samples. Its input is `Measured`: numbers, and the budgets that say how
certain each number and their mean are. The decision rule is rig.analysis.verdict.decision_rule.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from rig.analysis.verdict.decision_rule import CONFORMS, DOES_NOT_CONFORM, UNDECIDED, Decision
from rig.analysis.verdict.evaluate import Measured, Sentence, Taken, sentence, taken
from rig.config.sheet.model import Accept
from rig.core.figures import FIGURES
from rig.core.rounding import ends, fixed, places

NOT_TESTED = "not_tested"


class Missed(NamedTuple):
    """Missed strokes, out of how many, and whether this run showed the chain in front of the valve:
    `gap` says what was not shown; with all of it shown, `shown` says by what."""

    n: int
    of: int
    gap: str | None = None
    shown: str = ""


STROKES = {
    "steady": "the steady strokes",
    "rest": "the strokes after rest",
    "all": "all strokes, those after rest too",
}


@dataclass(frozen=True)
class Limit:
    """One acceptance limit and its result. `min`, `max`, `value`, `guard_band` in `unit`.

    `risk_pct` is the chance that the result is wrong (of an undecided one: that the value lies
    outside), None where it was not worked out. `strokes_needed` is about how many strokes (ramps)
    in all would settle an undecided one; for a limit on strokes after rest, how many of those. None
    where more would not settle it, or it is settled."""

    figure: str
    of: str
    min: float | None
    max: float | None
    unit: str
    value: float | None
    n: int
    result: str
    said: Sentence
    risk: float = 0.05
    guard_band: float | None = None
    risk_pct: float | None = None
    strokes_needed: int | None = None
    strokes: str | None = None
    """Which strokes, in words, where the sheet asks for others than the usual ones."""

    @property
    def why(self) -> str:
        """Why `result`, in plain words."""
        return self.said.words

    @property
    def words(self) -> str:
        """The limit's figure in words, like "response of each stroke" or "mean response"."""
        figure = self.figure.replace("_", " ")
        if self.strokes is not None:
            figure += f" of {self.strokes}"
        if self.of != "each":
            return f"{figure} tolerance bound" if self.of == "tolerance" else f"{self.of} {figure}"
        return f"{figure} of each {FIGURES[self.figure].each_of}"


STATE_IT = (
    "What was measured or proved good by hand is stated with --supply-voltage, --base-pressure "
    "(against base_pressure_min of the sheet) and --proved coil,switch"
)


def missed_words(missed: Missed) -> str:
    """The missed strokes in plain words, with what was not shown."""
    what = f"{missed.n} of {missed.of} strokes were never answered"
    if missed.gap is None:
        return f"{what}, with the chain in front shown in this run ({missed.shown})."
    return f"{what}. What that means is open: {missed.gap}. {STATE_IT}."


def missed_limit(accept: Accept, missed: Missed) -> Limit:
    """Judge the missed strokes against a limit: broken only where the chain was shown."""
    value = float(missed.n)

    def limit(result: str, why: str) -> Limit:
        return Limit(
            "missed", accept.of, accept.min_value, accept.max_value, "", value, missed.of, result,
            Sentence(why),
        )  # fmt: skip

    if missed.of == 0:
        return limit(NOT_TESTED, "No stroke was recorded.")
    low, high = _bounds(accept)
    if low <= value <= high:
        return limit(CONFORMS, f"{missed.n} of {missed.of} strokes were never answered.")
    return limit(UNDECIDED if missed.gap else DOES_NOT_CONFORM, missed_words(missed))


def figure_limit(accept: Accept, measured: Measured | None) -> Limit:
    """Judge a figure against a limit; `measured` is None where the run has no such figure."""
    unit, name = FIGURES[accept.figure].unit, FIGURES[accept.figure].words
    low, high = _bounds(accept)
    empty = Limit(
        accept.figure, accept.of, accept.min_value, accept.max_value, unit, None, 0, NOT_TESTED,
        Sentence(f"There is no {name} in this run."), accept.risk,
    )  # fmt: skip
    strokes = accept.strokes_of
    aside = 0
    if measured is not None:
        all_of = len(measured.value)
        measured = measured.only(strokes)
        # more strokes after rest do not need more of the others
        aside = 0 if strokes == "rest" else all_of - len(measured.value)
        if strokes == "rest":
            measured = replace(measured, each_of="stroke after rest")
    if strokes != accept.usual_strokes:
        name = f"{name} of {STROKES[strokes]}"
        empty = replace(
            empty, strokes=STROKES[strokes], said=Sentence(f"There is no {name} in this run.")
        )
    if measured is None or not len(measured.value):
        if measured is not None and measured.open_because:
            return replace(empty, result=UNDECIDED, said=sentence(measured.open_because))
        return empty
    found = taken(measured, accept.of, low, high, accept.risk, accept.margin_value or 0.0)
    decision, what = found.decision, name if accept.of == "each" else f"{accept.of} {name}"
    result, n = decision.result, len(measured.value)
    said = found.said or Sentence(_why(accept, found, what, unit, measured))
    doubtful = int(measured.doubtful.sum())
    if result == CONFORMS and measured.without:
        result = UNDECIDED
        lacking = f"{measured.without} {_several(measured.without, measured.each_of)}"
        said = Sentence(f"{lacking} gave no {name}; the others hold the limit.")
    elif result == CONFORMS and doubtful:
        result = UNDECIDED
        said = Sentence(
            f"The limit on {name} is held, but {doubtful} of {n} numbers are doubtful (see marks)."
        )
    elif result == DOES_NOT_CONFORM and accept.of != "each" and doubtful:
        result = UNDECIDED
        said = Sentence(
            f"The {what} is outside its limit, but {doubtful} of its numbers are doubtful."
        )
    elif result == UNDECIDED and accept.of != "each" and doubtful:
        said = said._replace(text=f"{said.text} {doubtful} of its {n} numbers are doubtful.")
    return replace(
        empty, value=found.value, n=n, result=result, said=said, guard_band=decision.guard_band,
        risk_pct=_percent(decision),
        strokes_needed=found.needed + aside
        if result == UNDECIDED and found.needed is not None
        else None,
    )  # fmt: skip


def _percent(decision: Decision) -> float | None:
    # rounding may leave a probability slightly below zero
    return max(100 * decision.wrong, 0.0) if np.isfinite(decision.wrong) else None


def _bounds(accept: Accept) -> tuple[float, float]:
    low = -np.inf if accept.min_value is None else accept.min_value
    return low, np.inf if accept.max_value is None else accept.max_value


def _why(accept: Accept, found: Taken, what: str, unit: str, measured: Measured) -> str:
    risk = f"{100 * accept.risk:g} %"
    if found.decision.result == CONFORMS:
        words = f"Each {what} is" if accept.of == "each" else f"The {what} is"
        return f"{words} within its limit, with at most {risk} risk of being wrong.{found.note}"
    if found.decision.result == DOES_NOT_CONFORM:
        return _beyond(accept, found, what, unit, measured) + found.note
    if accept.of == "each":
        why = (
            f"{found.numbers} of {len(measured.value)} numbers of {what} lie too near the limit, "
            f"or are too doubtful, to tell{_band(found, unit)}."
        )
    else:
        why = (
            f"The limit of the {what} lies within what is not known of it "
            f"({_between(found, unit)} with {risk} risk to either side)."
        )
    return why + found.note + _more(found, len(measured.value), measured.each_of)


def _band(found: Taken, unit: str) -> str:
    guard = found.decision.guard_band
    if not (np.isfinite(guard) and guard > 0):
        return ""
    return f" (guard band {fixed(guard, places(guard))} {unit})"


def _more(found: Taken, n: int, each_of: str) -> str:
    if found.needed is None:
        return ""
    more = found.needed - n
    return (
        f" About {more} more {_several(more, each_of)} would settle it, if they go on like these."
    )


def _several(n: int, each_of: str) -> str:
    """ "stroke after rest" becomes "strokes after rest"."""
    first, *rest = each_of.split(" ")
    return " ".join([first + "s" * (n > 1), *rest])


def _beyond(accept: Accept, found: Taken, what: str, unit: str, measured: Measured) -> str:
    value = found.value
    over = accept.max_value is not None and value > accept.max_value
    limit = accept.max_value if over else accept.min_value
    where = "" if found.label is None else f" in {measured.each_of} {found.label}"
    several = found.label is not None and found.numbers > 1
    more = f" ({found.numbers} of {len(measured.value)} are)" if several else ""
    side = "above" if over else "below"
    what = what[0].upper() + what[1:]
    shown = _shown(value, found, unit)
    return f"{what} of {shown}{where} is {side} {_number(limit, unit)}{more}."


def _between(found: Taken, unit: str) -> str:
    if np.isfinite(found.least) and np.isfinite(found.most):
        return "{} to {} {}".format(*ends(found.least, found.most), unit)
    return f"{found.least:.4g} to {_number(found.most, unit)}"


def _shown(value: float, found: Taken, unit: str) -> str:
    """The value rounded to the place of half its open range; counts and values of unknown
    uncertainty as they are."""
    half = (found.most - found.least) / 2
    if not (np.isfinite(half) and half > 0):
        return _number(value, unit)
    return f"{fixed(value, places(half))} {unit}"


def _number(value: float | None, unit: str) -> str:
    shown = f"{value:.4g}" if value is not None else "?"
    return f"{shown} {unit}".strip()
