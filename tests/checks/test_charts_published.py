# SPDX-License-Identifier: MIT
"""Control charts, trend and change points against the NIST/SEMATECH e-Handbook, scipy and a data
set with a known change."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from rig.analysis.stats.chart_limits import TABLE, widths
from rig.analysis.stats.control_charts import CUSUM_HIGH, D2, chart, cusum, ewma, individuals
from rig.analysis.stats.trend import changes, pettitt, trend

FLOW = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])


def test_individuals_chart() -> None:
    """e-Handbook 6.3.2.2: with d2 = 1.128 as printed there 55.8041 and 45.8159; with the exact
    2/sqrt(pi), which is followed here, 55.8024 and 45.8176."""
    center, sigma, moving = individuals(FLOW)
    assert center == pytest.approx(50.81)
    assert moving == pytest.approx(1.8778, abs=5e-5)
    rounded = individuals(FLOW, d2=1.128)[1]
    assert (center + 3 * rounded, center - 3 * rounded) == pytest.approx(
        (55.8041, 45.8159), abs=5e-5
    )
    found = chart(np.arange(1, 11), FLOW)
    assert found is not None
    assert (center + 3 * sigma, center - 3 * sigma) == pytest.approx(
        (55.802412, 45.817588), abs=1e-6
    )
    assert (found.ucl - center) / sigma == pytest.approx(widths(10).single)
    assert abs(D2 - 1.128) < 5e-4
    assert found.sigma == sigma


def test_ewma_chart() -> None:
    """e-Handbook 6.3.2.4: lambda 0.3, started at 50, s 2.0539; in control."""
    values = np.array([52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6,
                       49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])  # fmt: skip
    series, half = ewma(values, 50.0, 2.0539)
    assert series[:4] == pytest.approx([50.6, 49.52, 50.564, 50.1848])
    assert series[-3:] == pytest.approx([51.2291, 51.9403, 51.9882], abs=5e-5)
    asymptote = 3 * 2.0539 * math.sqrt(0.3 / 1.7)
    assert 50 + asymptote == pytest.approx(52.5884, abs=5e-5)
    assert half[0] == pytest.approx(3 * 2.0539 * 0.3)
    assert half[-1] == pytest.approx(asymptote, rel=1e-4)
    assert (np.abs(series - 50) < half).all()


def test_cusum_chart() -> None:
    """e-Handbook 6.3.2.3 (data from memory): target 325, k 0.3175, h 4.1959; signal at group 14."""
    values = np.array([324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525,
                       325.225, 324.600, 324.625, 325.150, 328.325, 327.250, 327.825, 328.500,
                       326.675, 327.775, 326.875, 328.350])  # fmt: skip
    high, low = cusum(values, 325.0, 1.0, k=0.3175)
    assert int(np.argmax(high > 4.1959)) + 1 == 14
    assert high[12:14] == pytest.approx([3.0075, 4.94], abs=6e-4)
    assert high[19] == pytest.approx(19.035, abs=5e-4)
    assert low.max() < 4.1959


@pytest.mark.parametrize(
    ("shift", "h", "published"), [(1.0, 4.0, 8.38), (1.0, 5.0, 10.4), (0.5, 4.0, 26.6)]
)
def test_run_lengths_of_the_cumulative_sum(shift: float, h: float, published: float) -> None:
    """e-Handbook 6.3.2.3.1, average run lengths with k = 0.5 (from memory)."""
    rng = np.random.default_rng(1)
    ran = []
    for _ in range(1500):
        high, _ = cusum(rng.normal(shift, 1.0, 250), 0.0, 1.0)
        over = np.flatnonzero(high > h)
        ran.append(over[0] + 1 if len(over) else 250)
    assert np.mean(ran) == pytest.approx(published, abs=4 * np.std(ran) / len(ran) ** 0.5)


def test_run_lengths_of_single_values_and_average() -> None:
    """Three sigma: 1 / 0.0027 = 370.4 values between false alarms. Average, lambda 0.25, width
    2.998: 500 (Lucas and Saccucci, Technometrics 32 (1990) 1; from memory)."""
    rng = np.random.default_rng(2)
    ran = []
    for _ in range(700):
        series, half = ewma(rng.standard_normal(4000), 0.0, 1.0, 0.25, 2.998)
        over = np.flatnonzero(np.abs(series) > half)
        ran.append(over[0] + 1 if len(over) else 4000)
    # with limits that start narrow the first strokes alarm a little more often
    assert 440 < np.mean(ran) < 550
    beyond = np.abs(rng.standard_normal(2_000_000)) > 3
    assert 1 / beyond.mean() == pytest.approx(370.4, rel=0.05)


@pytest.mark.parametrize("n", [9, 25, 50, 70])
def test_false_alarms_of_a_steady_run(n: int) -> None:
    """Response and release of a steady run: at most 5 in 100 break any rule, at lengths between
    those of the table. With three sigma, h 5 and the run rules it was 59 in 100 at 50 strokes."""
    rng = np.random.default_rng(n)
    number, runs, broken = np.arange(1, n + 1), 1200, 0
    for _ in range(runs):
        both = [chart(number, rng.normal(50, 2, n)) for _ in range(2)]
        broken += any(one is not None and one.signals for one in both)
    assert broken / runs < 0.05 + 2 * (0.05 * 0.95 / runs) ** 0.5
    assert broken / runs > 0.025  # and no wider than that asks for


def test_widths_grow_with_the_length() -> None:
    found = np.array([widths(n) for n in (5, 9, 50, 51, 1000, 100_000)])
    assert (np.diff(found, axis=0) > 0).all()
    assert widths(50) == pytest.approx(tuple(TABLE[TABLE[:, 0] == 50][0][1:]))


def test_a_shift_is_seen_and_equal_values_break_no_rule() -> None:
    rng = np.random.default_rng(7)
    values = np.concatenate((rng.normal(50, 1, 30), rng.normal(53, 1, 30)))
    found = chart(np.arange(1, 61), values)
    assert found is not None
    rules = {signal.rule: signal.strokes for signal in found.signals}
    assert CUSUM_HIGH in rules
    assert min(rules[CUSUM_HIGH]) > 30
    flat = chart(np.arange(1, 61), np.full(60, 50.0))
    assert flat is not None
    assert flat.signals == ()
    assert chart(np.arange(1, 5), np.arange(4.0)) is None


# -- trend

VALUES = st.lists(st.floats(-1e3, 1e3), min_size=4, max_size=40)


@settings(max_examples=60)
@given(VALUES)
def test_slope_and_interval_are_scipys(values: list[float]) -> None:
    """scipy.stats.theilslopes (Sen 1968) and kendalltau."""
    known, number = np.array(values), np.arange(1, len(values) + 1)
    found = trend(number, known, ordered=False)
    expected = stats.theilslopes(known, number, alpha=0.95)
    assert found is not None
    assert found.slope == pytest.approx(expected.slope, abs=1e-9)
    assert found.slope_low == pytest.approx(expected.low_slope, abs=1e-9)
    assert found.slope_high == pytest.approx(expected.high_slope, abs=1e-9)
    if np.ptp(known) > 0:
        concordance = stats.kendalltau(number, known, variant="c").statistic
        pairs = len(known) ** 2 * (len(set(values)) - 1) / len(set(values)) / 2
        assert found.s == pytest.approx(concordance * pairs, abs=1e-6)


@given(st.permutations(range(8)))
def test_exact_p_is_scipys(values: list[int]) -> None:
    """Few values without ties: the exact distribution of S (Kendall), as scipy has it."""
    known = np.array(values, float)
    found = trend(np.arange(8), known, ordered=False)
    assert found is not None
    expected = stats.kendalltau(np.arange(8), known, method="exact").pvalue
    assert found.p == pytest.approx(expected, abs=1e-12)


def test_exact_p_by_counting_every_order() -> None:
    """All 120 orders of five values: P(|S| >= 8) = 10/120 (Kendall's table: 0.042 one-sided)."""
    s = [
        sum(int(np.sign(b - a)) for a, b in itertools.combinations(order, 2))
        for order in itertools.permutations(range(5))
    ]
    share = sum(abs(x) >= 8 for x in s) / 120
    found = trend(np.arange(5), np.array([0.0, 2, 1, 3, 4]))
    assert found is not None
    assert found.s == 8
    assert found.p == pytest.approx(share)
    assert share == pytest.approx(2 * 0.042, abs=1e-3)


def test_normal_p_with_ties_by_hand() -> None:
    """Gilbert, Statistical Methods for Environmental Pollution Monitoring (1987), 16.4.3:
    Var S = [n (n - 1)(2n + 5) - sum t (t - 1)(2t + 5)] / 18, Z = (|S| - 1) / sd."""
    values = np.array([10, 22, 21, 30, 22, 30, 40, 40, 41, 45, 39, 50], float)
    found = trend(np.arange(12), values)
    assert found is not None
    variance = (12 * 11 * 29 - 3 * (2 * 1 * 9)) / 18
    z = (found.s - 1) / math.sqrt(variance)
    assert found.p == pytest.approx(2 * stats.norm.sf(z))
    assert found.direction == "rising"


def test_many_strokes_are_grouped() -> None:
    rng = np.random.default_rng(3)
    number = np.arange(1, 5001)
    found = trend(number, 50 + 1e-3 * number + rng.normal(0, 1, 5000))
    assert found is not None
    assert found.grouped == 8
    assert found.n == 5000
    assert found.slope_low < 1e-3 < found.slope_high
    assert found.direction == "rising"
    assert found.change == pytest.approx(5, abs=0.3)
    assert trend(number[:3], np.arange(3.0)) is None


# -- change points


def test_nile_flow_changes_after_1898() -> None:
    """Cobb, Biometrika 65 (1978) 243: yearly flow at Aswan, one change with the dam of 1899."""
    nile = sm.datasets.nile.load_pandas().data
    found = changes(
        nile["year"].to_numpy().astype(np.int64), nile["volume"].to_numpy(float), ordered=False
    )
    assert [change.number for change in found] == [1899]
    assert found[0].before > found[0].after + 200
    assert found[0].p < 1e-6


@given(st.lists(st.integers(-20, 20), min_size=10, max_size=60))
def test_pettitt_by_its_definition(values: list[int]) -> None:
    """Pettitt 1979: U_t = sum over i <= t < j of sign(x_i - x_j)."""
    known = np.array(values, float)
    sign = np.sign(known[:, None] - known[None, :])
    u = [abs(sign[:t, t:].sum()) for t in range(5, len(known) - 4)]
    place, p = pettitt(known, ordered=False)
    n = len(known)
    assert place is not None
    assert u[place - 5] == max(u)
    assert p == pytest.approx(min(1, 2 * math.exp(-6 * max(u) ** 2 / (n**3 + n**2))))


def test_no_change_in_steady_strokes() -> None:
    rng = np.random.default_rng(11)
    seen = sum(bool(changes(np.arange(50), rng.normal(50, 1, 50))) for _ in range(300))
    assert seen <= 3 + 3 * math.sqrt(3)  # nominal 1 of 100, conservative
    assert pettitt(np.arange(9.0)) == (None, 1.0)
