# SPDX-License-Identifier: MIT
"""Intervals, tolerance factors, proportions, capability and outliers against published values and
independent libraries. Where sources disagree both are shown."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from known_samples import with_moments
from scipy import integrate, optimize, stats
from statsmodels.stats.proportion import proportion_confint

from rig.analysis.stats.capability import capability_of, cpk_lower
from rig.analysis.stats.intervals import mean_interval, percentile, percentile_ranks, robust_pair
from rig.analysis.stats.intervals import sd_interval as sd_ends
from rig.analysis.stats.outliers import fence, fences, grubbs, grubbs_critical
from rig.analysis.stats.proportion import clopper_pearson, reliability_words, upper_bound, wilson
from rig.analysis.stats.summary import quantile
from rig.analysis.stats.tolerance import one_sided_factor, two_sided, two_sided_factor

VALUES = st.lists(st.floats(-1e4, 1e4), min_size=3, max_size=60).filter(lambda v: np.std(v) > 1e-3)


# -- mean and sd


def test_interval_of_a_mean_of_195_values() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.2."""
    found = mean_interval(with_moments(195, 9.261460, 0.022789))
    assert found == pytest.approx((9.258242, 9.264679), abs=1.5e-6)


@pytest.mark.parametrize(("n", "ends"), [(10, (0.687835, 1.825610)), (30, (0.796407, 1.344315))])
def test_interval_of_a_standard_deviation(n: int, ends: tuple[float, float]) -> None:
    """Chi-square tables; sd = 1."""
    assert sd_ends(with_moments(n, 5, 1)) == pytest.approx(ends, abs=1e-6)


@given(VALUES, st.floats(0.5, 0.999))
def test_interval_of_the_mean_is_scipys(values: list[float], confidence: float) -> None:
    known = np.array(values)
    expected = stats.t.interval(confidence, len(known) - 1, known.mean(), stats.sem(known))
    assert mean_interval(known, confidence) == pytest.approx(expected, rel=1e-9, abs=1e-7)


def test_too_few_values_have_no_interval() -> None:
    for values in ([], [5.0], [math.nan, 5.0]):
        assert mean_interval(np.array(values)) == (None, None)
        assert sd_ends(np.array(values)) == (None, None)
        assert two_sided(np.array(values)) == (None, None)


@given(VALUES)
def test_robust_pair_is_scipys(values: list[float]) -> None:
    known = np.array(values)
    found = robust_pair(known)
    assert found is not None
    assert found.median == pytest.approx(np.median(known), abs=1e-9)
    scaled = stats.median_abs_deviation(known, scale="normal")
    assert found.scaled_mad == pytest.approx(scaled, rel=1e-9, abs=1e-9)


# -- percentiles


def test_median_of_ten_lies_between_the_second_and_ninth() -> None:
    """Tables of the sign test (David and Nagaraja, Order Statistics): confidence 0.9785."""
    assert percentile_ranks(10, 0.5) == (2, 9)
    assert stats.binom.cdf(8, 10, 0.5) - stats.binom.cdf(1, 10, 0.5) == pytest.approx(
        0.9785, abs=1e-4
    )


@given(st.integers(1, 400), st.floats(0.01, 0.99), st.floats(0.5, 0.99))
def test_percentile_interval_holds_and_is_the_shortest(n: int, share: float, conf: float) -> None:
    """Against scipy's binomial distribution: each tail is within its risk, one rank inward not."""
    low, high = percentile_ranks(n, share, conf)
    tail, tiny = (1 - conf) / 2, 1e-12  # two libraries differ in the last digit
    below = stats.binom(n, share).cdf
    if low is None:
        assert below(0) > tail - tiny
    else:
        assert below(low - 1) - tiny <= tail < below(low) + tiny
    if high is None:
        assert 1 - below(n - 1) > tail - tiny
    else:
        assert 1 - below(high - 1) - tiny <= tail < 1 - below(high - 2) + tiny


def test_largest_of_fifty_does_not_bound_the_95th_percentile() -> None:
    """0.95^50 = 0.077: it lies below that percentile too often (Wilks needs 59 one-sided)."""
    found = percentile(np.arange(50.0), 0.95)
    assert found is not None
    assert found.ci95.high is None
    assert found.ci95.low is not None


def test_quantile_rules_differ_and_ours_is_definition_7() -> None:
    """Hyndman and Fan 1996. The e-Handbook's percentile (7.2.6.2) takes place p (n + 1) instead."""
    values = np.array([95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610, 95.1591, 95.1195,
                       95.1065, 95.0925, 95.1990, 95.1682])  # fmt: skip
    handbook = np.quantile(values, 0.9, method="weibull")
    assert handbook == pytest.approx(95.1981, abs=5e-5)  # printed there
    assert quantile(values, 0.9) == pytest.approx(np.quantile(values, 0.9), abs=1e-12)
    assert quantile(values, 0.9) == pytest.approx(95.1957, abs=5e-5)


# -- tolerance


@pytest.mark.parametrize(
    ("n", "coverage", "confidence", "one", "two"),
    [
        # exact factors, recomputed with the noncentral t and, two-sided, with toleranceinterval
        # 1.0.3: twoside.normal_factor(n, coverage, confidence)
        (10, 0.95, 0.95, 2.910963, 3.393429),  # ISO 16269-6 prints 2.911 and 3.393
        (20, 0.95, 0.95, 2.396002, 2.760346),
        (43, 0.90, 0.99, 1.873954, 2.222825),
    ],
)
def test_tolerance_factors(n: int, coverage: float, confidence: float, one: float, two: float):
    assert one_sided_factor(n, coverage, confidence) == pytest.approx(one, abs=6e-7)
    assert two_sided_factor(n, coverage, confidence) == pytest.approx(two, abs=6e-7)


def test_the_handbooks_approximations_lie_near_the_exact_factors() -> None:
    """e-Handbook 7.2.6.3 prints k1 = 1.8752 (Natrella's form) and k2 = 2.2173 (Howe's) for n = 43,
    0.90, 0.99: approximations. Ours are exact, 0.1 % and 0.25 % away."""
    assert one_sided_factor(43, 0.90, 0.99) == pytest.approx(1.8752, rel=1e-3)
    assert two_sided_factor(43, 0.90, 0.99) == pytest.approx(2.2173, rel=3e-3)
    assert two_sided_factor(43, 0.90, 0.99) > 2.2173


@settings(max_examples=20)
@given(st.integers(2, 200), st.floats(0.5, 0.99), st.floats(0.5, 0.99))
def test_two_sided_factor_by_another_integration(n: int, share: float, conf: float) -> None:
    """The same definition by adaptive quadrature and root finding of scipy."""
    k = two_sided_factor(n, share, conf)

    def half(x: float) -> float:
        return float(optimize.brentq(
            lambda r: stats.norm.cdf(x + r) - stats.norm.cdf(x - r) - share, 0, x + 10, xtol=1e-12
        ))  # fmt: skip

    def inside(u: float) -> float:
        tail = stats.chi2.sf((n - 1) * (half(u / math.sqrt(n)) / k) ** 2, n - 1)
        return float(2 * stats.norm.pdf(u) * tail)

    sure, _ = integrate.quad(inside, 0, 8.5, epsabs=1e-10)
    assert sure == pytest.approx(conf, abs=1e-8)


@given(st.integers(2, 3000), st.floats(0.5, 0.999), st.floats(0.5, 0.999))
def test_one_sided_factor_is_the_noncentral_t_quantile(n: int, share: float, conf: float) -> None:
    k = one_sided_factor(n, share, conf)
    shift = stats.norm.ppf(share) * math.sqrt(n)
    assert stats.nct.cdf(k * math.sqrt(n), n - 1, shift) == pytest.approx(conf, abs=1e-7)


def test_large_samples_go_over_smoothly() -> None:
    for factor in (one_sided_factor, two_sided_factor):
        assert factor(10_001) == pytest.approx(factor(10_000), rel=2e-4)


def test_factors_are_refused_outside_their_range() -> None:
    for n, coverage, confidence in ((1, 0.9, 0.9), (5, 1.0, 0.9), (5, 0.9, 0.0)):
        for factor in (one_sided_factor, two_sided_factor):
            with pytest.raises(ValueError, match="two values or more"):
                factor(n, coverage, confidence)


# -- proportions


@pytest.mark.parametrize(
    ("n", "of", "score", "exact"),
    [
        (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
        (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
        (0, 20, (0.0, 0.1611), (0.0, 0.1684)),
        (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
    ],
)
def test_newcombes_table(n: int, of: int, score: tuple[float, float], exact: tuple[float, float]):
    """Newcombe, Statistics in Medicine 17 (1998) 857, Table I, methods 3 and 5."""
    assert wilson(n, of) == pytest.approx(score, abs=5.1e-5)
    assert clopper_pearson(n, of) == pytest.approx(exact, abs=5.1e-5)


@given(st.integers(1, 500).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of))),
       st.floats(0.5, 0.999))  # fmt: skip
def test_proportions_are_those_of_statsmodels(counts: tuple[int, int], confidence: float) -> None:
    n, of = counts
    exact = proportion_confint(n, of, 1 - confidence, "beta")
    assert clopper_pearson(n, of, confidence) == pytest.approx(exact, abs=1e-9)
    score = proportion_confint(n, of, 1 - confidence, "wilson")
    assert wilson(n, of, confidence) == pytest.approx(score, abs=1e-9)
    both = proportion_confint(n, of, 2 * (1 - confidence), "beta")
    assert upper_bound(n, of, confidence) == pytest.approx(both[1], abs=1e-9)


@pytest.mark.parametrize(
    ("of", "upper"), [(10, 0.258866), (30, 0.095034), (59, 0.049508), (100, 0.029513)]
)
def test_no_failure_seen(of: int, upper: float) -> None:
    """Hanley and Lippman-Hand, JAMA 249 (1983) 1743: 1 - 0.05^(1/n), about 3/n."""
    assert upper_bound(0, of) == pytest.approx(upper, abs=5e-7)
    assert upper_bound(0, of) < 3 / of


def test_the_statement_in_words() -> None:
    assert reliability_words(0, 59) == "59 of 59: at least 95 % reliable with 95 % confidence"
    assert reliability_words(0, 58) == "58 of 58: at least 94 % reliable with 95 % confidence"
    assert reliability_words(1, 93) == "92 of 93: at least 95 % reliable with 95 % confidence"
    assert reliability_words(0, 2995).startswith("2995 of 2995: at least 99.90 % reliable")
    assert reliability_words(3, 3) == "0 of 3: at least 0 % reliable with 95 % confidence"
    assert reliability_words(0, 0) == ""
    assert upper_bound(0, 0) is None
    assert wilson(0, 0) == clopper_pearson(0, 0) == (None, None)
    with pytest.raises(ValueError, match="no share"):
        upper_bound(3, 2)


# -- capability, outliers


def test_capability_example() -> None:
    """NIST/SEMATECH e-Handbook 6.1.6: limits 8 and 20, mean 16, s 2."""
    found = capability_of(100, 16, 2, 8, 20)
    assert found.cp == pytest.approx(1.0)
    assert found.cpk == pytest.approx(0.6667, abs=5e-5)
    assert capability_of(100, 16, 2, 8, None).cpk == pytest.approx(1.3333, abs=5e-5)
    assert capability_of(100, 16, 2, 8, None).cp is None


def test_lower_bound_of_cpk() -> None:
    """Bissell 1990 (formula from memory): n 30, Cpk 1.33, standard error 0.184938."""
    assert cpk_lower(30, 1.33) == pytest.approx(1.33 - 1.644854 * 0.184937772, abs=1e-6)


MASSES = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])


def test_grubbs_example() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.17.1: G = 2.4687, one-sided 5 % critical value 2.032."""
    found = grubbs(MASSES)
    assert found is not None
    assert found.g == pytest.approx(2.468765, abs=1e-6)
    assert found.place == 7
    assert grubbs_critical(8, two_sided=False) == pytest.approx(2.03165, abs=5e-6)
    assert found.critical == pytest.approx(2.12665, abs=5e-6)


def test_fences_example() -> None:
    """NIST/SEMATECH e-Handbook 7.1.6 (from memory): quartiles 429.75 and 742.25."""
    assert fence(429.75, 742.25, 1.5) == pytest.approx((-39.0, 1211.0))
    assert fence(429.75, 742.25, 3.0) == pytest.approx((-507.75, 1679.75))


def test_outliers_are_flagged_and_stay() -> None:
    found = fences(np.append(MASSES, np.nan))
    assert found is not None
    assert found.beyond_outer == found.beyond_inner == (7,)
    assert found.slow == 1
    assert len(MASSES) == 8
    assert grubbs(np.array([1.0, 1.0, 1.0])) is None
    assert fences(np.array([1.0, 2.0, 3.0])) is None
