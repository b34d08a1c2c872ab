# SPDX-License-Identifier: MIT
"""Measurement uncertainty: a budget line by line, combined, expanded, and stated as an interval.

JCGM 100:2008 (GUM): standard uncertainty of each input (4.2, 4.3), combination (5.1.2), effective
degrees of freedom (Welch-Satterthwaite, G.4.1), coverage factor (G.3). Where a part that is not
normal is large enough to misstate the interval, the interval comes from the whole distribution
(JCGM 101:2008, rig.analysis.stats.propagation) and says so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from rig.analysis.stats.propagation import DIVISORS, Part, Spread

COVERAGE = 0.95
JCGM_100, JCGM_101 = "JCGM 100", "JCGM 101"
DIFFERS = 0.01
"""The two intervals are equal where their half widths differ by less than this share (the
comparison of JCGM 101:2008, clause 8, to two digits)."""


class Line(NamedTuple):
    """One line of a budget. `value` in `unit`: the standard deviation of a "normal" or "t" line,
    the half width of a "rectangular", "triangular", "arcsine" or "two-point" one. `sensitivity`
    converts the line's unit to the budget's. `dof` degrees of freedom, infinite for a certain
    bound."""

    name: str
    value: float
    unit: str
    distribution: str
    sensitivity: float = 1.0
    dof: float = math.inf
    note: str = ""

    @property
    def u(self) -> float:
        """Standard uncertainty of the input: `value` over the divisor of its distribution
        (rectangular sqrt 3, triangular sqrt 6, arcsine sqrt 2, two-point 1; JCGM 100 4.3.7,
        4.3.9)."""
        return self.value / DIVISORS[self.distribution]

    @property
    def part(self) -> float:
        """Its share |sensitivity| * u of the combined uncertainty, in the budget's unit."""
        return abs(self.sensitivity) * self.u


Correlations = Mapping[tuple[str, str], float]
"""Correlation coefficients of pairs of lines, by their names; 0 for any not named."""


class Combined(NamedTuple):
    """Combined standard uncertainty and its effective degrees of freedom."""

    u: float
    dof: float


def combine(lines: Sequence[Line], correlations: Correlations | None = None) -> Combined:
    """Combined standard uncertainty, and Welch-Satterthwaite degrees of freedom
    u^4 / sum(part^4 / dof) (JCGM 100:2008, 5.1.2, 5.2.2 and G.2b). (0, infinite) for none.

    Correlated lines count as one part, with the fewest degrees of freedom among them: Welch and
    Satterthwaite is valid for independent parts only. Raises ValueError for a correlation that
    names no line, or an impossible set of them.
    """
    parts = independent_parts(lines, correlations or {})
    square = math.fsum(part.u**2 for part in parts)
    below = math.fsum(part.u**4 / part.dof for part in parts)
    return Combined(math.sqrt(square), square * square / below if below > 0 else math.inf)


def independent_parts(lines: Sequence[Line], correlations: Correlations) -> list[Part]:
    """The lines as independent parts: one for each line without a correlation, and one, assumed
    normal, for all lines linked by correlations."""
    names = [line.name for line in lines]
    for pair, r in correlations.items():
        if not (set(pair) <= set(names) and pair[0] != pair[1] and -1 <= r <= 1):
            raise ValueError(f"there is no correlation of {r} between {pair[0]!r} and {pair[1]!r}")
    groups = [{name} for name in names]
    for pair in correlations:
        linked = [group for group in groups if group & set(pair)]
        groups = [group for group in groups if group not in linked]
        groups.append(set().union(*linked))
    parts = []
    for group in groups:
        own = [line for line in lines if line.name in group]
        if len(own) == 1:
            parts.append(Part(own[0].part, own[0].distribution, own[0].dof))
            continue
        signed = {line.name: line.sensitivity * line.u for line in own}
        square = math.fsum(value**2 for value in signed.values()) + 2 * math.fsum(
            r * signed[one] * signed[two] for (one, two), r in correlations.items() if one in group
        )
        if square < -1e-12 * math.fsum(value**2 for value in signed.values()):
            raise ValueError(
                f"the correlations of {', '.join(sorted(group))} contradict each other"
            )
        dof = min(line.dof for line in own)
        kind = "normal" if math.isinf(dof) else "t"
        parts.append(Part(math.sqrt(max(square, 0.0)), kind, dof))
    return parts


def coverage_factor(dof: float, coverage: float = COVERAGE) -> float:
    """k of Student's t for a two-sided interval; `dof` is truncated to whole numbers (JCGM
    100:2008, G.4.1), infinite gives the normal factor. Raises ValueError below one degree of
    freedom."""
    from scipy.special import ndtri, stdtrit

    if not dof >= 1:
        raise ValueError(f"a coverage factor needs at least one degree of freedom, not {dof:g}")
    tail = 0.5 + coverage / 2
    return float(ndtri(tail)) if math.isinf(dof) else float(stdtrit(math.floor(dof), tail))


@dataclass(frozen=True)
class Budget:
    """The budget of one result. `value` as reported; the measurand is distributed about `value +
    correction`. Lines, `u`, `expanded` (U), `low` and `high` in `unit`; `k` = U / u. `method` names
    the document that the interval of `coverage` follows; `correlations` those of its lines that act
    together."""

    figure: str
    unit: str
    value: float
    correction: float
    lines: tuple[Line, ...]
    u: float
    dof: float
    k: float
    expanded: float
    method: str
    coverage: float = COVERAGE
    spread: Spread = field(default_factory=lambda: Spread(()), repr=False, compare=False)
    correlations: Correlations = field(default_factory=dict)

    def parts(self, *, without: str = "") -> list[Part]:
        """The independent parts of all lines, or of all but the named one."""
        lines = [line for line in self.lines if line.name != without]
        return independent_parts(lines, self.correlations)

    @property
    def best(self) -> float:
        """The value less its known bias."""
        return self.value + self.correction

    @property
    def low(self) -> float:
        return self.best - self.expanded

    @property
    def high(self) -> float:
        return self.best + self.expanded

    def quantile(self, share: float) -> float:
        """The value below which the measurand lies with this probability."""
        return self.best + self.spread.quantile(share)


def budget(
    figure: str, unit: str, value: float, lines: Sequence[Line], correction: float = 0.0,
    coverage: float = COVERAGE, correlations: Correlations | None = None,
) -> Budget:  # fmt: skip
    """Combine `lines` into the budget of `value`; those named in `correlations` act together.
    Raises ValueError without any line above zero, and where a line is not a finite number >= 0."""
    for line in lines:
        if not (math.isfinite(line.value) and line.value >= 0 and math.isfinite(line.sensitivity)):
            raise ValueError(f"the line {line.name!r} of the budget of {figure} is not a number")
    u, dof = combine(lines, correlations)
    if not u > 0:
        raise ValueError(f"the budget of {figure} has no line that counts")
    spread = Spread(independent_parts(lines, correlations or {}))
    expanded = coverage_factor(dof, coverage) * u
    whole = spread.half_width(coverage)
    method = JCGM_100
    if abs(whole - expanded) > DIFFERS * expanded:
        expanded, method = whole, JCGM_101
    return Budget(
        figure, unit, value, correction, tuple(lines), u, dof, expanded / u, expanded, method,
        coverage, spread, dict(correlations or {}),
    )  # fmt: skip
