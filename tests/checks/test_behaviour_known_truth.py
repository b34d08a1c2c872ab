# SPDX-License-Identifier: MIT
"""Simulated runs with known truth: intervals and tests hold as often as they say. Fixed seeds; the
tolerances are three standard deviations of a binomial share."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from rig.analysis.compare.two_samples import difference, equivalence
from rig.analysis.stats.intervals import mean_interval, percentile, sd_interval
from rig.analysis.stats.tolerance import one_sided, two_sided
from rig.analysis.stats.trend import trend

RUNS, STROKES = 2_000, 20


def near(share: float, nominal: float, runs: int = RUNS) -> bool:
    return abs(share - nominal) <= 3 * math.sqrt(nominal * (1 - nominal) / runs)


def test_intervals_cover_the_truth_as_often_as_stated() -> None:
    rng = np.random.default_rng(21)
    runs = rng.normal(50, 2, (RUNS, STROKES))
    mean = np.mean([low < 50 < high for low, high in map(mean_interval, runs)])
    sd = np.mean([low < 2 < high for low, high in map(sd_interval, runs)])
    assert near(mean, 0.95)
    assert near(sd, 0.95)


def test_tolerance_intervals_hold_their_share_as_often_as_stated() -> None:
    rng = np.random.default_rng(22)
    both = above = 0
    for run in rng.normal(50, 2, (RUNS, STROKES)):
        low, high = two_sided(run)
        both += stats.norm.cdf(high, 50, 2) - stats.norm.cdf(low, 50, 2) >= 0.95
        above += stats.norm.cdf(one_sided(run).high, 50, 2) >= 0.95
    assert near(both / RUNS, 0.95)
    assert near(above / RUNS, 0.95)


def test_percentile_intervals_cover_at_least_nominally_for_skewed_values() -> None:
    """Discrete, so conservative: for the median of 20 exactly 0.9586 (binomial)."""
    rng = np.random.default_rng(23)
    truth = math.log(2)
    found = [percentile(run, 0.5).ci95 for run in rng.exponential(1, (RUNS, STROKES))]
    share = np.mean([low <= truth <= high for low, high in found])
    assert near(share, 0.9586)


def test_no_trend_is_seen_in_steady_runs_more_often_than_stated() -> None:
    rng = np.random.default_rng(24)
    number = np.arange(STROKES)
    found = [trend(number, run) for run in rng.normal(50, 2, (1000, STROKES))]
    false = np.mean([one.direction != "none" for one in found])
    assert false <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 1000)
    covers = np.mean([one.slope_low <= 0 <= one.slope_high for one in found])
    assert covers >= 0.95 - 3 * math.sqrt(0.05 * 0.95 / 1000)


@pytest.mark.parametrize("true", [3.0, -3.0])
def test_equivalence_is_wrongly_shown_at_most_at_the_stated_risk(true: float) -> None:
    """The true difference lies exactly on the margin; unequal spreads and numbers."""
    rng = np.random.default_rng(25)
    wrong = 0
    for before, after in zip(
        rng.normal(50, 1, (RUNS, 15)), rng.normal(50 + true, 3, (RUNS, 25)), strict=True
    ):
        wrong += equivalence(difference(before, after), 3.0).result == "shown"
    assert wrong / RUNS <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / RUNS)


def test_alike_runs_differ_as_often_as_chance_says() -> None:
    rng = np.random.default_rng(26)
    pairs = list(zip(rng.normal(50, 1, (RUNS, 12)), rng.normal(50, 3, (RUNS, 30)), strict=True))
    found = [difference(before, after, ordered=False) for before, after in pairs]
    assert near(float(np.mean([one.p < 0.05 for one in found])), 0.05)
    # not knowing whether strokes resemble one another makes fewer differences real, never more
    in_order = [difference(before, after) for before, after in pairs]
    assert 0.01 < float(np.mean([one.p < 0.05 for one in in_order])) < 0.05
