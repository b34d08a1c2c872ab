# SPDX-License-Identifier: MIT
"""Values as shown: each rounded to the place of two significant digits of its uncertainty.

The rule is in rig.core.rounding; nothing else rounds a value that has an uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple, TypeVar, cast

from rig.core.reader_units import units
from rig.core.results.metrology import Expanded, MeanSummary
from rig.core.results.run import Limit
from rig.core.rounding import fixed, places, signed

EVEN_SHARE = 0.01
"""An interval whose middle lies within this share of U of the value is shown as plus or minus U."""


MEAN_LEAST = 3
"""Fewest values for which the interval of a mean means anything. With two it is 12.7 standard
errors wide to either side (Student's t, 1 degree of freedom, 95 %: NIST/SEMATECH e-Handbook,
1.3.6.7.2); with one there is none."""


def too_few(one: Mapping[str, object]) -> str:
    """ "n = 2: no interval" for a mean of fewer than three values; else empty."""
    n = one.get("n")
    few = isinstance(n, int) and n < MEAN_LEAST and one.get("mean") is not None
    return f"n = {n}: no interval" if few else ""


_OF_A_ROW = frozenset({"mean", "median", "p95", "min", "max", "sd", "U", "u", "best", "value"})
Row = TypeVar("Row")


def in_reader_units(row: Row, si: str) -> Row:
    """The numbers of a pressure's or a rate's row in the reader's units, under the same keys; any
    other row as it is. `si`: the unit of its numbers."""
    times = units().difference(1.0, si)
    if times == 1.0:
        return row
    given = cast(Mapping[str, object], row)
    told: dict[str, object] = {
        key: times * value
        for key, value in given.items()
        if isinstance(value, float) and (key in _OF_A_ROW or key.endswith(("_kpa", "_kpa_s")))
    }
    interval = given.get("interval95")
    if isinstance(interval, Sequence):
        told["interval95"] = [end and times * end for end in interval]
    if given.get("rest"):
        told["rest"] = in_reader_units(given["rest"], si)
    return cast(Row, {**given, **told})


def mean_text(one: MeanSummary, unknown: str, otherwise: int = 1) -> str:
    """A mean rounded to the place of its uncertainty, where there are enough values for one."""
    return value_text(one.get("mean"), None if too_few(one) else one.get("U"), unknown, otherwise)


def value_text(value: float | None, u: float | None, unknown: str, otherwise: int = 1) -> str:
    """A value rounded to the place of its uncertainty; with `otherwise` digits where that is not
    known."""
    return unknown if value is None else fixed(value, places(u, otherwise))


def judged_text(limit: Limit, unknown: str, *, unit: bool = True) -> str:
    """The value judged by a limit, with its `unit` (the reader's): rounded to the place of its
    guard band; a count, or a value of unknown uncertainty, as it is."""
    value, guard, si = limit["value"], limit.get("guard_band"), limit["unit"]
    if value is None:
        return unknown
    shown = units().value(value, si)
    told = fixed(shown, places(units().difference(guard, si))) if guard else f"{shown:.4g}"
    return f"{told} {units().unit(si)}" if unit and si else told


def spread_text(sd: float | None, unknown: str) -> str:
    """A standard deviation, itself a measure of uncertainty: two significant digits."""
    return unknown if sd is None else fixed(sd, places(sd))


class Best(NamedTuple):
    """Best knowledge of a value: about `value`, plus or minus `expanded` (95 %), after `off` was
    subtracted from the reading (a known bias; negative: added)."""

    value: float
    expanded: float
    off: float

    @property
    def even(self) -> bool:
        """Whether nothing worth showing was subtracted."""
        return abs(self.off) < EVEN_SHARE * self.expanded


def best_of(value: float | None, one: Expanded) -> Best | None:
    """The best value for a reading; without `best` the middle of the interval. None where they are
    not known."""
    expanded, interval, best = one.get("U"), one.get("interval95"), one.get("best")
    if value is None or expanded is None or not interval:
        return None
    best = (interval[0] + interval[1]) / 2 if best is None else best
    return Best(best, expanded, value - best)


def _best_or_why(value: float | None, one: Expanded) -> Best | str:
    """The best value, or why there is none: "n = 2: no interval", or nothing to say."""
    return too_few(one) or best_of(value, one) or ""


def sure_text(value: float | None, one: Expanded, unit: str) -> str:
    """The uncertainty of a value: "± 0.38 ms"; where the interval does not lie evenly about it,
    "26.41 to 31.94 ms"; for a mean of too few, "n = 2: no interval". `one` as for best_of; empty
    where it is not known."""
    best, interval = _best_or_why(value, one), one.get("interval95")
    if isinstance(best, str):
        return best
    if interval is None:
        return ""
    digits = places(best.expanded)
    if best.even:
        return f"± {fixed(best.expanded, digits)} {unit}"
    low, high = interval
    return f"{fixed(low, digits)} to {fixed(high, digits)} {unit}"


def beside_text(value: float | None, one: Expanded, unit: str, coverage: str = " (95 %)") -> str:
    """Text beside a value as read: "± 0.38 ms (95 %)"; where a known bias is subtracted, "best 44.5
    ± 4.5 ms (95 %), 5.5 ms subtracted"; for a mean of too few, "n = 2: no interval". `one` as for
    best_of; empty where it is not known. `coverage`: empty where that is said elsewhere."""
    best = _best_or_why(value, one)
    if isinstance(best, str):
        return best
    digits = places(best.expanded)
    told = f"± {fixed(best.expanded, digits)} {unit}{coverage}"
    alike = best.even or _unseen(best)
    return told if alike else f"best {fixed(best.value, digits)} {told}, {_off(best, unit)}"


def best_text(value: float, one: Expanded, unit: str, otherwise: int = 1) -> str:
    """A value with its uncertainty: "50.04 ms (± 0.38 ms)"; where a known bias is subtracted, "44.5
    ms (± 4.5 ms; read 50.0 ms, 5.5 ms subtracted)"; for a mean of too few, "50.0 ms (n = 2: no
    interval)". `one` as for best_of."""
    best = _best_or_why(value, one)
    if isinstance(best, str):
        return f"{fixed(value, otherwise)} {unit}" + (f" ({best})" if best else "")
    digits = places(best.expanded)
    told = f"± {fixed(best.expanded, digits)} {unit}"
    if best.even or _unseen(best):
        return f"{fixed(value, digits)} {unit} ({told})"
    told += f"; read {fixed(value, digits)} {unit}, {_off(best, unit)}"
    return f"{fixed(best.value, digits)} {unit} ({told})"


def _off(best: Best, unit: str) -> str:
    """The amount subtracted: rounded as the two values beside it where it equals their shown
    difference, else to two significant digits."""
    how = "subtracted" if best.off > 0 else "added"
    digits = places(best.expanded)
    read, shown = (float(fixed(one, digits)) for one in (best.value + best.off, best.value))
    told = fixed(abs(best.off), digits)
    if not math.isclose(abs(read - shown), float(told), abs_tol=1e-9):
        told = fixed(abs(best.off), max(digits, places(abs(best.off))))
    return f"{told} {unit} {how}"


def _unseen(best: Best) -> bool:
    """Whether the amount subtracted changes nothing that is shown."""
    digits = places(best.expanded)
    alike = fixed(best.value, digits) == fixed(best.value + best.off, digits)
    return alike and float(fixed(best.off, digits)) == 0.0


def difference_text(value: float, ci: Sequence[float]) -> str:
    """A difference with its sign, rounded to the place of half its interval."""
    return signed(value, places((ci[1] - ci[0]) / 2, 2))


def interval_text(ci: Sequence[float]) -> str:
    """Both ends of the interval of a difference, with their signs."""
    digits = places((ci[1] - ci[0]) / 2, 2)
    return f"{signed(ci[0], digits)} to {signed(ci[1], digits)}"


def mean_interval_text(mean: float, ci: Sequence[float]) -> tuple[str, str]:
    """A mean and its interval, rounded to the place of half the interval."""
    digits = places((ci[1] - ci[0]) / 2)
    return fixed(mean, digits), f"{fixed(ci[0], digits)} to {fixed(ci[1], digits)}"
