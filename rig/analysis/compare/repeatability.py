# SPDX-License-Identifier: MIT
"""Rig study: the same valves remounted by several people. How much of the spread is the rig's?

A measurement is one run (one mounting); its value is the mean over the run's strokes. Repeatability
(EV) is the spread of one person's mountings of one valve; reproducibility (AV) is that between
people; together they are the rig's own spread (GRR). Two or more valves also give the valves' own
spread (PV). Two methods give different numbers for the same data and are named separately: analysis
of variance, and average and range.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from rig.analysis.stats.range_constants import d2_star
from rig.core.recording import Float

POOL_ABOVE = 0.25
"""An interaction of people and valves with a larger p is pooled into repeatability (AIAG MSA, 4th
ed., from memory; others pool above 0.05)."""
NDC_FACTOR = 1.41
"""sqrt(2) as printed in the trade's manuals; ndc is rounded down."""
REPEATABILITY_LIMIT = 1.959964 * math.sqrt(2)
"""Two mountings by one person differ by more than this many repeatability sd in 5 of 100 pairs
(ISO 5725-6, which rounds 2.77 to 2.8)."""
GOOD_PCT, USABLE_PCT = 10.0, 30.0
"""%GRR below the first is good, above the second not good enough (AIAG MSA, 4th ed., from memory).
"""

Cells = Sequence[Sequence[Sequence[float]]]
"""[valve][person][mounting], with the same number of mountings in every cell."""


class Parts(NamedTuple):
    """Standard deviations, in the unit of the values: repeatability, reproducibility, both, the
    valves', and all together. `valves` and `total` are None with one valve."""

    repeatability: float
    reproducibility: float
    rig: float
    valves: float | None
    total: float | None


class Study(NamedTuple):
    """Result of one `method`. `rig_pct` is %GRR of the total (None with one valve), `ndc` how many
    groups of valves the rig can tell apart, `repeatability_limit` see REPEATABILITY_LIMIT.
    `interaction_p` and `pooled` are for the analysis of variance of several valves. `..._dof` are
    the degrees of freedom of both spreads: Satterthwaite, Biometrics Bulletin 2 (1946) 110, for a
    sum of mean squares."""

    method: str
    parts: Parts
    rig_pct: float | None
    ndc: int | None
    repeatability_limit: float
    repeatability_dof: float
    rig_dof: float
    interaction_p: float | None = None
    pooled: bool | None = None


def anova(cells: Cells) -> Study:
    """Analysis of variance, people and valves random.

    Several valves: two-way crossed with interaction, pooled above POOL_ABOVE (Burdick, Borror and
    Montgomery, Design and Analysis of Gauge R&R Studies; AIAG MSA). One valve: one-way. Negative
    components are 0. Needs two people and two mountings in every cell; raises ValueError.
    """
    x = _cube(cells)
    valves, people, mounts = x.shape
    if valves == 1:
        return one_valve(list(x[0]))
    from scipy import special

    grand = x.mean()
    by_valve, by_person, by_cell = x.mean(axis=(1, 2)), x.mean(axis=(0, 2)), x.mean(axis=2)
    ss_valve = people * mounts * float(((by_valve - grand) ** 2).sum())
    ss_person = valves * mounts * float(((by_person - grand) ** 2).sum())
    inside = by_cell - by_valve[:, None] - by_person[None, :] + grand
    ss_both = mounts * float((inside**2).sum())
    ss_error = float(((x - by_cell[:, :, None]) ** 2).sum())
    dof_both, dof_error = (valves - 1) * (people - 1), valves * people * (mounts - 1)
    ms_valve, ms_person = ss_valve / (valves - 1), ss_person / (people - 1)
    ms_both, ms_error = ss_both / dof_both, ss_error / dof_error
    p = 1.0
    if ms_error > 0:
        p = float(special.fdtrc(dof_both, dof_error, ms_both / ms_error))
    elif ms_both > 0:
        p = 0.0
    pooled = p > POOL_ABOVE
    if pooled:
        dof_error += dof_both
        error = (ss_both + ss_error) / dof_error
        ms_both, interaction = error, 0.0
    else:
        error, interaction = ms_error, max(0.0, (ms_both - ms_error) / mounts)
    person = max(0.0, (ms_person - ms_both) / (valves * mounts))
    valve = max(0.0, (ms_valve - ms_both) / (people * mounts))
    squares = [(1.0, error, dof_error)]
    if person > 0:
        by = 1 / (valves * mounts)
        squares += [(by, ms_person, people - 1), (-by, ms_both, dof_error if pooled else dof_both)]
    if interaction > 0:
        squares += [(1 / mounts, ms_both, dof_both), (-1 / mounts, error, dof_error)]
    dofs = dof_error, satterthwaite(squares)
    return _study("analysis of variance", error, person + interaction, valve, dofs, p, pooled)


def one_valve(people: Sequence[Sequence[float] | Float]) -> Study:
    """One valve, remounted any number of times by each person: one-way analysis of variance with
    random people (unequal numbers: n0 = (N - sum n_i^2 / N) / (k - 1)).

    Searle, Casella and McCulloch, Variance Components, chapter 3. Raises ValueError with fewer
    than two people or two mountings of one of them.
    """
    groups = [np.asarray(one, float) for one in people]
    n = np.array([len(one) for one in groups])
    total, k = int(n.sum()), len(groups)
    if k < 2 or total - k < 1 or n.min() < 1:
        raise ValueError("a rig study needs two people or more, and one of them to mount it twice")
    means = np.array([one.mean() for one in groups])
    grand = float((n * means).sum() / total)
    within = float(sum(((one - one.mean()) ** 2).sum() for one in groups)) / (total - k)
    between = float((n * (means - grand) ** 2).sum()) / (k - 1)
    n0 = (total - float((n**2).sum()) / total) / (k - 1)
    squares = [(1.0, within, total - k)]
    if between > within:
        squares += [(1 / n0, between, k - 1), (-1 / n0, within, total - k)]
    dofs = total - k, satterthwaite(squares)
    return _study("analysis of variance", within, max(0.0, (between - within) / n0), None, dofs)


def satterthwaite(squares: Sequence[tuple[float, float, int]]) -> float:
    """Degrees of freedom of sum(factor * mean square), from (factor, mean square, dof); mean
    squares with the same dof and value are counted once. 0 where the sum is 0."""
    factors: dict[tuple[float, int], float] = {}
    for factor, square, dof in squares:
        factors[square, dof] = factors.get((square, dof), 0.0) + factor
    total = math.fsum(factor * square for (square, _), factor in factors.items())
    below = math.fsum((factor * sq) ** 2 / dof for (sq, dof), factor in factors.items())
    return total**2 / below if below > 0 else 0.0


def average_range(cells: Cells) -> Study:
    """Average and range: EV = mean range / d2*, AV from the range of the people's means less the
    share of EV in it, PV from the range of the valves' means.

    AIAG MSA, 4th ed. (from memory), with exact d2* instead of its rounded K1, K2, K3; the three
    agree to four digits. Does not see interaction. As `anova`, it needs equally filled cells.
    """
    x = _cube(cells)
    valves, people, mounts = x.shape
    ev = float(np.ptp(x, axis=2).mean()) / d2_star(mounts, valves * people)
    apart = float(np.ptp(x.mean(axis=(0, 2)))) / d2_star(people, 1)
    av2 = max(0.0, apart**2 - ev**2 / (valves * mounts))
    pv = None
    if valves > 1:
        pv = float(np.ptp(x.mean(axis=(1, 2)))) / d2_star(valves, 1)
    # ranges have other degrees of freedom, which are not needed here
    return _study("average and range", ev**2, av2, None if pv is None else pv**2, (0.0, 0.0))


def _cube(cells: Cells) -> Float:
    sizes = {len(mounts) for valve in cells for mounts in valve}
    people = {len(valve) for valve in cells}
    if len(people) != 1 or len(sizes) != 1 or min(people) < 2 or min(sizes) < 2:
        raise ValueError(
            "a rig study of this kind needs two people or more, and every person to mount every "
            "valve the same number of times, twice or more"
        )
    return np.asarray(cells, float)


def _study(
    method: str, repeatability: float, reproducibility: float, valve: float | None,
    dofs: tuple[float, float],
    p: float | None = None, pooled: bool | None = None,
) -> Study:  # fmt: skip
    """From variances; `dofs` of repeatability and of the rig's own spread."""
    rig = math.sqrt(repeatability + reproducibility)
    sd_valve = None if valve is None else math.sqrt(valve)
    total = None if valve is None else math.sqrt(repeatability + reproducibility + valve)
    return Study(
        method,
        Parts(math.sqrt(repeatability), math.sqrt(reproducibility), rig, sd_valve, total),
        100 * rig / total if total else None,
        int(NDC_FACTOR * sd_valve / rig) if sd_valve is not None and rig > 0 else None,
        REPEATABILITY_LIMIT * math.sqrt(repeatability),
        *dofs,
        p,
        pooled,
    )


def tolerance_pct(
    rig_sd: float, low: float | None, high: float | None, mean: float | None = None
) -> float | None:
    """The rig's spread as a share of the width between the limits, in per cent (P/T).

    Two limits: 6 sd over their distance (NIST/SEMATECH e-Handbook 2.4.5.3, AIAG MSA). One: 3 sd
    over the distance from `mean` to it (common practice, no source). None without limits, or where
    the mean lies beyond the only limit.
    """
    if low is not None and high is not None:
        return 100 * 6 * rig_sd / (high - low) if high > low else None
    if mean is None or (low is None and high is None):
        return None
    room = high - mean if high is not None else mean - (low or 0.0)
    return 100 * 3 * rig_sd / room if room > 0 else None


def cells_of(values: Mapping[tuple[str, str], Sequence[float]]) -> Cells | None:
    """Values by (valve, person) as [valve][person][mounting] in sorted order; None where a cell is
    empty or the numbers of mountings differ."""
    valves = sorted({valve for valve, _ in values})
    people = sorted({person for _, person in values})
    cells = [[list(values.get((valve, one), ())) for one in people] for valve in valves]
    sizes = {len(mounts) for valve in cells for mounts in valve}
    return cells if len(sizes) == 1 and min(sizes) > 1 and len(people) > 1 else None
