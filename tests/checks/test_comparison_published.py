# SPDX-License-Identifier: MIT
"""Before and after against the NIST/SEMATECH e-Handbook, scipy, statsmodels and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from known_samples import with_moments
from scipy import stats
from statsmodels.stats.power import TTestIndPower
from statsmodels.stats.weightstats import ttost_ind

from rig.analysis.compare.batch import batch
from rig.analysis.compare.oil_correction import factor, normalised, oil_model
from rig.analysis.compare.two_samples import (
    SHOWN,
    UNDECIDED,
    difference,
    equivalence,
    equivalence_power,
    power,
    strokes_to_equate,
    strokes_to_see,
)

VALUES = st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=40).filter(lambda v: np.std(v) > 1e-2)


def test_two_samples_of_the_handbook() -> None:
    """e-Handbook 1.3.5.3: n 249 and 79; Welch t -12.94627 with 136.8750 dof, pooled s 6.34260,
    pooled t -12.62059 (not followed: it takes both spreads as equal)."""
    found = difference(
        with_moments(79, 30.48101, 6.10771), with_moments(249, 20.14458, 6.41470), ordered=False
    )
    assert found is not None
    assert found.t == pytest.approx(-12.94627, abs=5e-5)
    assert found.dof == pytest.approx(136.8750, abs=1e-3)
    assert found.pooled_sd == pytest.approx(6.34260, abs=5e-6)
    pooled_t = found.difference / (found.pooled_sd * math.sqrt(1 / 249 + 1 / 79))
    assert pooled_t == pytest.approx(-12.62059, abs=5e-5)
    assert found.effect_sd == pytest.approx((20.14458 - 30.48101) / 6.34260, abs=1e-5)
    assert found.p < 1e-20


@given(VALUES, VALUES)
def test_welch_is_scipys(one: list[float], two: list[float]) -> None:
    before, after = np.array(one), np.array(two)
    found = difference(before, np.append(after, np.nan), ordered=False)
    assert found is not None
    expected = stats.ttest_ind(after, before, equal_var=False)
    assert found.t == pytest.approx(expected.statistic, rel=1e-7, abs=1e-9)
    assert found.p == pytest.approx(expected.pvalue, rel=1e-6, abs=1e-12)
    assert found.dof == pytest.approx(expected.df, rel=1e-9)
    assert found.ci95 == pytest.approx(tuple(expected.confidence_interval()), rel=1e-7, abs=1e-7)


@given(VALUES, VALUES, st.floats(0.1, 500))
def test_equivalence_is_that_of_statsmodels(one: list[float], two: list[float], margin: float):
    """statsmodels ttost_ind with unequal variances."""
    before, after = np.array(one), np.array(two)
    found = difference(before, after, ordered=False)
    assert found is not None
    expected = ttost_ind(after, before, -margin, margin, usevar="unequal")[0]
    shown = equivalence(found, margin)
    assert shown.p == pytest.approx(expected, rel=1e-6, abs=1e-9)
    inside = -margin < shown.ci90.low and shown.ci90.high < margin
    if abs(shown.p - 0.05) > 1e-6:
        assert (shown.result == SHOWN) == inside


def test_equal_values_without_spread() -> None:
    same = np.full(5, 50.0)
    found = difference(same, same)
    assert found is not None
    assert (found.difference, found.p, found.rank_p, found.effect_sd) == (0, 1, 1, None)
    assert equivalence(found, 1.0).result == UNDECIDED  # nothing is known of their scatter
    apart = difference(same, same + 2)
    assert apart is not None
    assert apart.p == 0
    assert difference(same, np.array([50.0, np.nan])) is None


@settings(max_examples=40)
@given(st.integers(2, 300), st.floats(0.05, 3.0))
def test_power_is_that_of_statsmodels(n: int, effect: float) -> None:
    expected = TTestIndPower().power(effect, n, 0.05)
    if math.isnan(expected):  # far beyond doubt its library gives up
        assert power(n, effect) > 1 - 1e-9
    else:
        assert power(n, effect) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(("effect", "cohen"), [(0.2, 393), (0.5, 64), (0.8, 26)])
def test_strokes_needed_of_cohens_table(effect: float, cohen: int) -> None:
    """Cohen, A Power Primer, Psychol. Bull. 112 (1992) 155, Table 2: power 0.80, two-sided 0.05.
    393 is printed for 0.2; the exact noncentral t gives 394."""
    found = strokes_to_see(effect, wanted=0.80)
    assert found is not None
    assert found == math.ceil(TTestIndPower().solve_power(effect, power=0.80, alpha=0.05))
    assert abs(found - cohen) <= 1


def test_nothing_to_see_needs_no_number() -> None:
    assert strokes_to_see(0.0) is None
    assert strokes_to_see(1e-3) is None  # more than the most
    assert strokes_to_equate(0.5, 0.5) is None
    assert power(2, 1e3) == 1.0


@pytest.mark.parametrize(("n", "margin", "true"), [(12, 1.5, 0.0), (30, 0.8, 0.2), (60, 0.5, 0.1)])
def test_equivalence_power_by_simulation(n: int, margin: float, true: float) -> None:
    """20,000 simulated pairs of runs with fixed seed; the standard error of the share is 0.0035."""
    rng = np.random.default_rng(5)
    one, two = rng.normal(0, 1, (20_000, n)), rng.normal(true, 1, (20_000, n))
    apart = two.mean(axis=1) - one.mean(axis=1)
    v1, v2 = one.var(axis=1, ddof=1) / n, two.var(axis=1, ddof=1) / n
    dof = (v1 + v2) ** 2 / ((v1**2 + v2**2) / (n - 1))
    shown = (margin - np.abs(apart)) / np.sqrt(v1 + v2) >= stats.t.ppf(0.95, dof)
    assert equivalence_power(n, margin, true) == pytest.approx(shown.mean(), abs=0.02)


def test_strokes_to_equate_reach_the_power() -> None:
    n = strokes_to_equate(0.5)
    assert n is not None
    assert equivalence_power(n, 0.5) >= 0.9 > equivalence_power(n - 1, 0.5)


# -- oil


def test_viscosity_of_the_model_is_astm_d341() -> None:
    """73.3 mm^2/s at 40 degC and 8.86 at 100 (ASTM D2270's worked oil): 15.180 at 80, 30.083 at
    60. A fully viscous time doubles as its viscosity does."""
    model = oil_model(73.3, 8.86, 1.0)
    assert factor(model, 60, 80, 1.0) == pytest.approx(30.082611 / 15.180386, rel=1e-7)
    assert factor(model, 60, 80, 0.0) == 1.0
    assert factor(model, 80, 80, 0.4) == 1.0


def test_a_difference_that_is_all_oil_vanishes() -> None:
    model = oil_model(73.3, 8.86, 1.0)
    after = with_moments(30, 40 * 30.082611 / 15.180386, 1.0)
    found = difference(with_moments(30, 40, 1.0), after, ordered=False)
    assert found is not None
    assert found.p < 1e-9
    brought = normalised(found, 80.0, 60.0, model)
    assert brought.difference == pytest.approx(0, abs=1e-5)
    assert brought.p > 0.99


def test_an_unknown_share_is_carried_as_uncertainty() -> None:
    """Rectangular over the difference at no and at all viscous share (JCGM 100, 4.3.7)."""
    known, unknown = oil_model(73.3, 8.86, 0.5), oil_model(73.3, 8.86, None)
    found = difference(with_moments(50, 40, 0.5), with_moments(50, 42, 0.5), ordered=False)
    assert found is not None
    one, two = normalised(found, 90, 80, known), normalised(found, 90, 80, unknown)
    assert one.difference == pytest.approx(two.difference)
    ends = [42 / factor(known, 80, 90, share) - 40 for share in (0.0, 1.0)]
    added = math.sqrt(two.u_model**2 - one.u_model**2)
    assert added == pytest.approx(abs(ends[1] - ends[0]) / 2 / math.sqrt(3))
    assert two.ci95.low < found.difference < two.ci95.high  # no share at all is not ruled out
    with pytest.raises(ValueError, match="D341"):
        normalised(found, 90, 400, known)


# -- batch


def test_batch_ranks_and_flags_the_odd_one() -> None:
    rng = np.random.default_rng(2)
    runs = [rng.normal(mean, 1, 30) for mean in (50.1, 49.8, 62.0, 50.3, 49.9)]
    found = batch(runs)
    assert found is not None
    assert [place.rank for place in found.places] == [1, 2, 3, 4, 5]
    means = [place.group.mean for place in found.places]
    assert means == sorted(means)
    assert [place.place for place in found.places if place.outlier] == [2]
    assert found.p_all_alike == pytest.approx(stats.kruskal(*runs).pvalue)
    assert batch(runs, margin=20.0).places[-1].outlier is False  # alike for the purpose
    ci = found.places[-1].ci95
    expected = stats.t.interval(1 - 0.05 / 5, 29, runs[2].mean(), stats.sem(runs[2]))
    assert ci == pytest.approx(expected)


def test_alike_runs_are_rarely_flagged() -> None:
    rng = np.random.default_rng(4)
    flagged = 0
    for _ in range(200):
        found = batch([rng.normal(50, 1, 20) for _ in range(6)])
        assert found is not None
        flagged += any(place.outlier for place in found.places)
    assert flagged <= 10
    assert batch([np.arange(3.0), np.arange(3.0)]) is None
    assert batch([np.arange(3.0), np.arange(3.0), np.array([1.0])]) is None
