# SPDX-License-Identifier: MIT
"""Rig study against a published gauge study (AIAG MSA, 3 people, 3 trials, 10 parts), statsmodels
and tables of the range. The two methods differ on the same data; both are shown."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from rig.analysis.compare.repeatability import (
    anova,
    average_range,
    cells_of,
    one_valve,
    tolerance_pct,
)
from rig.analysis.compare.study_runs import sd_bounds
from rig.analysis.stats.range_constants import d2_d3, d2_star

TRIALS = """.29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36
.41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25
.64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31
.08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68
.25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62
.07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50
.04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49
-.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77
-.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16"""
DATA = np.array([[float(x) for x in row.split()] for row in TRIALS.splitlines()])
CELLS = DATA.reshape(3, 3, 10).transpose(2, 0, 1)
"""[part][person][trial]"""


def test_average_and_range() -> None:
    """Printed: EV 0.20188, AV 0.22963, GRR 0.30575, PV 1.10456, TV 1.14610, %GRR 26.68, ndc 5
    (from memory; printed constants are rounded, hence 2e-4)."""
    found = average_range(CELLS)
    parts = found.parts
    assert [parts.repeatability, parts.reproducibility, parts.rig, parts.valves, parts.total] == (
        pytest.approx([0.20188, 0.22963, 0.30575, 1.10456, 1.14610], rel=3e-4)
    )
    assert found.rig_pct == pytest.approx(26.68, abs=0.01)
    assert found.ndc == 5


def test_analysis_of_variance() -> None:
    """Published: variances 0.03997, 0.05146, 0.09143, 1.08645, 1.17788; interaction F 0.434,
    p 0.974, pooled; %study 27.86; ndc 4."""
    found = anova(CELLS)
    parts = found.parts
    assert [parts.repeatability**2, parts.reproducibility**2, parts.rig**2] == pytest.approx(
        [0.03997, 0.05146, 0.09143], abs=6e-6
    )
    assert parts.valves is not None
    assert parts.total is not None
    assert [parts.valves**2, parts.total**2] == pytest.approx([1.08645, 1.17788], abs=6e-6)
    assert found.interaction_p == pytest.approx(0.974, abs=5e-4)
    assert found.pooled is True
    assert found.rig_pct == pytest.approx(27.86, abs=0.005)
    assert found.ndc == 4


def test_the_methods_differ_and_so_do_the_groups_by_rounding() -> None:
    """ndc: 1.41 PV/GRR rounded down, as printed; with sqrt(2) it is 4.875 here all the same."""
    by_range, by_variance = average_range(CELLS), anova(CELLS)
    assert (by_range.ndc, by_variance.ndc) == (5, 4)
    parts = by_variance.parts
    assert parts.valves is not None
    assert math.sqrt(2) * parts.valves / parts.rig == pytest.approx(4.875, abs=1e-3)
    assert by_range.method != by_variance.method


def by_statsmodels(cells: np.ndarray) -> tuple[float, float, float, float]:
    """Repeatability, person (with interaction) and part variances, and the interaction's p, from
    the mean squares of statsmodels' anova_lm."""
    parts, people, trials = cells.shape
    rows = [
        (i, j, cells[i, j, k]) for i in range(parts) for j in range(people) for k in range(trials)
    ]
    frame = pd.DataFrame(rows, columns=["part", "person", "y"])
    table = anova_lm(ols("y ~ C(part) * C(person)", frame).fit())
    ms = table["mean_sq"]
    p = table["PR(>F)"]["C(part):C(person)"]
    both, error = ms["C(part):C(person)"], ms["Residual"]
    interaction = max(0.0, (both - error) / trials)
    if p > 0.25:
        table = anova_lm(ols("y ~ C(part) + C(person)", frame).fit())
        ms = table["mean_sq"]
        both = error = ms["Residual"]
        interaction = 0.0
    person = max(0.0, (ms["C(person)"] - both) / (parts * trials)) + interaction
    part = max(0.0, (ms["C(part)"] - both) / (people * trials))
    return error, person, part, p


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("interaction", [0.0, 0.8])
def test_against_statsmodels(seed: int, interaction: float) -> None:
    rng = np.random.default_rng(seed)
    parts, people, trials = rng.integers(2, 6), rng.integers(2, 5), rng.integers(2, 5)
    cells = (
        rng.normal(50, 2, (parts, 1, 1))
        + rng.normal(0, 0.5, (1, people, 1))
        + interaction * rng.normal(0, 1, (parts, people, 1))
        + rng.normal(0, 0.3, (parts, people, trials))
    )
    found = anova(cells)
    error, person, part, p = by_statsmodels(cells)
    assert found.interaction_p == pytest.approx(p, abs=1e-9)
    assert found.parts.repeatability**2 == pytest.approx(error, rel=1e-9)
    assert found.parts.reproducibility**2 == pytest.approx(person, rel=1e-7, abs=1e-12)
    assert found.parts.valves is not None
    assert found.parts.valves**2 == pytest.approx(part, rel=1e-9)


def test_one_valve_against_statsmodels() -> None:
    """One-way, unequal numbers: mean squares of anova_lm, n0 as in Searle and others."""
    rng = np.random.default_rng(9)
    people = [rng.normal(50 + shift, 0.4, n) for shift, n in ((0, 3), (0.8, 5), (-0.6, 4))]
    frame = pd.DataFrame(
        [(j, y) for j, values in enumerate(people) for y in values], columns=["person", "y"]
    )
    ms = anova_lm(ols("y ~ C(person)", frame).fit())["mean_sq"]
    n0 = (12 - (9 + 25 + 16) / 12) / 2
    found = one_valve(people)
    assert found.parts.repeatability**2 == pytest.approx(ms["Residual"])
    expected = (ms["C(person)"] - ms["Residual"]) / n0
    assert found.parts.reproducibility**2 == pytest.approx(expected)
    assert found.parts.total is None
    assert found.ndc is None
    assert found.rig_pct is None


def test_true_spreads_are_found() -> None:
    """Expected values over 300 simulated studies of one valve: people 1.0, mounting 0.5."""
    rng = np.random.default_rng(12)
    studies = [
        one_valve(list(rng.normal(0, 1, (4, 1)) + rng.normal(0, 0.5, (4, 3)))) for _ in range(300)
    ]
    again = np.mean([study.parts.repeatability**2 for study in studies])
    other = np.mean([study.parts.reproducibility**2 for study in studies])
    assert again == pytest.approx(0.25, rel=0.1)
    assert other == pytest.approx(1.0, rel=0.2)


def test_repeatability_limit() -> None:
    """ISO 5725-6 (clause from memory): 1.96 sqrt(2) = 2.77 standard deviations, rounded to 2.8."""
    found = anova(CELLS)
    ratio = found.repeatability_limit / found.parts.repeatability
    assert ratio == pytest.approx(2.771808, abs=1e-6)
    assert ratio == pytest.approx(2.8, abs=0.03)


# -- constants


@pytest.mark.parametrize(
    ("m", "d2", "d3"),
    [(2, 1.12838, 0.85250), (3, 1.69257, 0.88837), (4, 2.05875, 0.87981), (5, 2.32593, 0.86408),
     (10, 3.07751, 0.79705)],
)  # fmt: skip
def test_mean_and_spread_of_the_range(m: int, d2: float, d3: float) -> None:
    """Tables of d2 and d3 (e-Handbook 6.3.2.1, ASTM E2587: 1.1284, 0.8525, 2.3259, 0.8641)."""
    assert d2_d3(m) == pytest.approx((d2, d3), abs=6e-6)
    # D4 = 1 + 3 d3/d2: the handbook prints 2.115 for five, tables elsewhere 2.114 (exact 2.11449)
    if m == 5:
        assert 1 + 3 * d3 / d2 == pytest.approx(2.1145, abs=1e-4)


def test_range_of_two_in_closed_form() -> None:
    assert d2_d3(2) == pytest.approx((2 / math.sqrt(math.pi), math.sqrt(2 - 4 / math.pi)), abs=1e-8)


@pytest.mark.parametrize(
    ("m", "groups", "k"),
    [(3, 30, 0.5908), (2, 30, 0.8862), (3, 1, 0.5231), (2, 1, 0.7071), (10, 1, 0.3146)],
)
def test_printed_k_factors(m: int, groups: int, k: float) -> None:
    """K1, K2, K3 of the average-range method are 1/d2* (Duncan's table), above 15 groups 1/d2."""
    assert 1 / d2_star(m, groups) == pytest.approx(k, abs=6e-5)


# -- limits


def test_share_of_the_limits() -> None:
    assert tolerance_pct(0.5, 0.0, 30.0) == pytest.approx(10.0)
    assert tolerance_pct(0.5, None, 80.0, 50.0) == pytest.approx(5.0)
    assert tolerance_pct(0.5, 20.0, None, 50.0) == pytest.approx(5.0)
    assert tolerance_pct(0.5, None, 80.0, 85.0) is None
    assert tolerance_pct(0.5, None, None, 50.0) is None
    assert tolerance_pct(0.5, 5.0, 5.0) is None


@given(st.integers(1, 3), st.integers(1, 3), st.integers(1, 3))
def test_studies_that_cannot_be_made_are_refused(parts: int, people: int, trials: int) -> None:
    cells = np.random.default_rng(0).normal(50, 1, (parts, people, trials))
    if people < 2 or trials < 2:
        with pytest.raises(ValueError, match="two people"):
            anova(cells)
        with pytest.raises(ValueError, match="two people"):
            average_range(cells)
    else:
        assert anova(cells).parts.rig > 0
        assert average_range(cells).parts.rig >= 0


def test_cells_are_ordered_and_whole() -> None:
    values = {("b", "y"): [1.0, 2.0], ("a", "y"): [3.0, 4.0], ("b", "x"): [5.0, 6.0]}
    assert cells_of(values) is None
    assert cells_of({**values, ("a", "x"): [7.0, 8.0]}) == [[[7, 8], [3, 4]], [[5, 6], [1, 2]]]
    assert cells_of({**values, ("a", "x"): [7.0]}) is None
    with pytest.raises(ValueError, match="two people"):
        one_valve([[1.0, 2.0]])


@pytest.mark.parametrize(("people", "mounts", "person_sd"), [(2, 3, 0.0), (3, 4, 1.0), (4, 3, 2.0)])
def test_intervals_of_a_study_hold_what_they_say(
    people: int, mounts: int, person_sd: float
) -> None:
    """Drawn studies (numpy alone) with 0.8 ms between mountings: repeatability 95 %; GRR, whose
    degrees of freedom are Satterthwaite's, roughly."""
    rng, runs, held = np.random.default_rng(people), 600, np.zeros(2)
    truth = 0.8, math.hypot(0.8, person_sd)
    for _ in range(runs):
        cells = [person_sd * rng.standard_normal() + 0.8 * rng.standard_normal(mounts)
                 for _ in range(people)]  # fmt: skip
        found = one_valve(cells)
        spreads = (
            (found.parts.repeatability, found.repeatability_dof),
            (found.parts.rig, found.rig_dof),
        )
        for n, (sd, dof) in enumerate(spreads):
            low, high = sd_bounds(sd, dof)
            held[n] += low <= truth[n] <= high
    assert abs(held[0] / runs - 0.95) < 3 * (0.05 * 0.95 / runs) ** 0.5
    assert held[1] / runs > 0.88
