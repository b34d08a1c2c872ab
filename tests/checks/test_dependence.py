# SPDX-License-Identifier: MIT
"""Strokes that follow one another: against statsmodels' AR processes and the exact variance of a
mean of autocorrelated values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special
from statsmodels.tsa.arima_process import ArmaProcess
from statsmodels.tsa.stattools import acf

from rig.analysis.compare.two_samples import difference
from rig.analysis.stats.control_charts import chart
from rig.analysis.stats.dependence import dependence, inflation, lag1, phi_of, repeatability
from rig.analysis.stats.intervals import percentile, sd_interval
from rig.analysis.stats.tolerance import one_sided
from rig.analysis.stats.trend import changes, trend
from rig.analysis.verdict.behaviour import figure_behaviour

SEED = 20_260


def runs(phi: float, n: int, count: int) -> np.ndarray:
    """`count` stationary runs of n strokes, sd 1, from statsmodels' generator."""
    process = ArmaProcess([1, -phi], [1])
    drawn = process.generate_sample(
        (n, count), burnin=200, distrvs=np.random.default_rng(SEED).standard_normal
    )
    return drawn.T * np.sqrt(1 - phi**2)


def test_lag_1_is_that_of_statsmodels() -> None:
    values = runs(0.5, 200, 1)[0]
    assert lag1(values) == pytest.approx(acf(values, nlags=1, fft=False)[1], rel=1e-12)


@pytest.mark.parametrize("phi", [0.3, 0.5, 0.7])
def test_the_estimate_is_right_on_average(phi: float) -> None:
    found = np.mean([phi_of(values) for values in runs(phi, 100, 500)])
    assert found == pytest.approx(phi, abs=0.03)


@pytest.mark.parametrize("phi", [0.0, 0.3, 0.5, 0.7])
def test_inflation_is_the_exact_variance_of_a_long_mean(phi: float) -> None:
    """n Var(mean) / sigma^2 = 1 + 2 sum (1 - k/n) rho_k, with rho_k from statsmodels."""
    n = 2_000
    rho = ArmaProcess([1, -phi], [1]).acf(n)
    exact = 1 + 2 * np.sum((1 - np.arange(1, n) / n) * rho[1:n])
    assert inflation(phi, n) == pytest.approx(exact, rel=0.003)


@pytest.mark.parametrize(
    ("phi", "n", "least", "most"),
    [(0.0, 10, 0.95, 0.98), (0.0, 20, 0.95, 0.98), (0.0, 100, 0.945, 0.975),
     (0.3, 10, 0.94, 0.97), (0.3, 20, 0.94, 0.975), (0.5, 10, 0.935, 0.965),
     (0.5, 20, 0.94, 0.975), (0.5, 50, 0.94, 0.975), (0.5, 200, 0.94, 0.975),
     (0.7, 12, 0.935, 0.965), (0.7, 20, 0.94, 0.975), (0.7, 50, 0.94, 0.975)],
)  # fmt: skip
def test_the_interval_of_the_mean_covers(phi: float, n: int, least: float, most: float) -> None:
    """With independence taken for granted 20 strokes cover 95, 86, 75 and 60 %."""
    held = 0
    values = runs(phi, n, 2_000)
    for run in values:
        known = dependence(run)
        assert known is not None
        half = float(special.stdtrit(known.dof, 0.975)) * known.u_mean
        held += abs(run.mean()) <= half
    # two standard errors of 2,000 tries are about one percent
    assert least - 0.01 <= held / len(values) <= most + 0.01


def test_false_trends_and_jumps_are_as_rare_as_promised() -> None:
    """AR(1) of 0.5 and 50 strokes: 25 % and 17 % with independence taken for granted."""
    number, values = np.arange(1, 51), runs(0.5, 50, 400)
    trends = np.mean([trend(number, run).direction != "none" for run in values])  # type: ignore[union-attr]
    blind = np.mean([trend(number, run, ordered=False).direction != "none" for run in values])  # type: ignore[union-attr]
    assert trends < 0.10 < blind
    jumps = np.mean([bool(changes(number, run)) for run in values])
    assert jumps < 0.05 < np.mean([bool(changes(number, run, ordered=False)) for run in values])


def test_real_trends_and_jumps_are_still_found() -> None:
    number, values = np.arange(1, 51), runs(0.0, 50, 100)
    rising = values + number * (4 / 50)
    assert np.mean([trend(number, run).direction == "rising" for run in rising]) > 0.95  # type: ignore[union-attr]
    jumped = values + np.where(number > 25, 3, 0)
    assert np.mean([bool(changes(number, run)) for run in jumped]) > 0.95


def test_unchanged_valves_are_rarely_called_different() -> None:
    pairs = runs(0.5, 40, 600).reshape(300, 2, 40)
    wrong = np.mean([difference(one, two).p < 0.05 for one, two in pairs])  # type: ignore[union-attr]
    assert wrong < 0.09


def test_the_budget_says_why_it_is_wide() -> None:
    line = repeatability(runs(0.7, 60, 1)[0], "ms")
    assert "may resemble the one before it" in line.note and line.dof < 40
    assert "resemble" not in repeatability(np.tile([1.0, 2.0], 20), "ms").note


def test_too_few_values_say_nothing_of_their_order() -> None:
    assert dependence(np.array([1.0])) is None
    few = dependence(np.array([1.0, 2.0, 3.0, 4.0]))
    assert few is not None and few.phi == 0 and few.dof == 3
    assert few.u_mean == pytest.approx(np.std([1, 2, 3, 4], ddof=1) / 2)


def test_percentiles_tolerance_and_spread_count_values_as_many_as_they_are_worth() -> None:
    """AR(1) of 0.5, 50 strokes, known truth; the plain forms cover fewer."""
    held = {"p50": 0, "plain p50": 0, "tolerance": 0, "plain tolerance": 0, "sd": 0, "plain sd": 0}
    values, z = runs(0.5, 50, 400), float(special.ndtri(0.95))
    for run in values:
        known = dependence(run)
        assert known is not None
        for word, of in (("", known), ("plain ", None)):
            ends = percentile(run, 0.5, worth=of.whole if of else None).ci95  # type: ignore[union-attr]
            low, high = (-np.inf if ends.low is None else ends.low), ends.high
            held[f"{word}p50"] += low <= 0 <= (np.inf if high is None else high)
            held[f"{word}tolerance"] += one_sided(run, known=of).high >= z  # type: ignore[operator]
            low, high = sd_interval(run, known=of)
            held[f"{word}sd"] += low <= 1 <= high  # type: ignore[operator]
    for figure in ("p50", "tolerance", "sd"):
        assert held[figure] >= 0.92 * len(values) > held[f"plain {figure}"], figure


def test_control_charts_of_strokes_that_follow_one_another() -> None:
    """False alarms of one chart, AR(1) of 0.5 and 50 strokes: at most 2.5 % are promised."""
    number, values = np.arange(1, 51), runs(0.5, 50, 300)
    alarms = np.mean([bool(charts_of(number, run)) for run in values])
    blind = np.mean([bool(chart(number, run).signals) for run in values])  # type: ignore[union-attr]
    assert alarms < 0.05 < blind
    shifted = runs(0.0, 50, 100) + np.where(number > 25, 2, 0)
    assert np.mean([bool(charts_of(number, run)) for run in shifted]) > 0.8


def charts_of(number: np.ndarray, run: np.ndarray) -> tuple:
    found = figure_behaviour(number, run).charts
    assert found is not None
    return found.signals
