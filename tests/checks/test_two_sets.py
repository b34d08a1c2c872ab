# SPDX-License-Identifier: MIT
"""Ranks, distances and counts of two sets, against scipy.stats (an independent implementation)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from rig.analysis.stats import two_sets

SIZES = [
    (1, 1),
    (2, 3),
    (3, 3),
    (5, 40),
    (8, 300),
    (9, 9),
    (20, 20),
    (20, 31),
    (60, 45),
    (300, 300),
]
RNG = np.random.default_rng(17)


def drawn(n: int, m: int, apart: float, ties: bool) -> tuple[np.ndarray, np.ndarray]:
    one, two = RNG.normal(0, 1, n), RNG.normal(apart, 1.3, m)
    return (np.round(one * 2) / 2, np.round(two * 2) / 2) if ties else (one, two)


@pytest.mark.parametrize("ties", [False, True], ids=["all different", "ties"])
@pytest.mark.parametrize("apart", [0.0, 0.6, 4.0])
@pytest.mark.parametrize("size", SIZES)
def test_ranks_and_distance(size: tuple[int, int], apart: float, ties: bool) -> None:
    for one, two in (drawn(*size, apart, ties), drawn(*size[::-1], apart, ties)):
        if np.ptp(np.concatenate((one, two))) > 0:
            expected = stats.mannwhitneyu(two, one, alternative="two-sided").pvalue
            assert two_sets.rank_p(one, two) == pytest.approx(expected, rel=1e-9, abs=1e-300)
        found = two_sets.distance(one, two)
        known = stats.ks_2samp(one, two)
        assert found is not None and found.distance == pytest.approx(known.statistic, abs=1e-12)
        assert found.p == pytest.approx(min(known.pvalue, 1.0), rel=1e-7)


@pytest.mark.parametrize("apart", [0.0, 0.02, 0.05])
def test_many_values_by_the_limit(apart: float) -> None:
    """The limit's p is a few hundredths of itself above the exact one where either is worth
    reading."""
    one, two = RNG.normal(0, 1, 2_500), RNG.normal(apart, 1, 2_200)
    known = stats.ks_2samp(one, two, method="exact")
    found = two_sets.distance(one, two)
    assert found is not None and found.distance == pytest.approx(known.statistic)
    assert known.pvalue <= found.p <= 1.06 * known.pvalue


def test_all_values_equal() -> None:
    same = np.full(12, 50.0)
    assert two_sets.rank_p(same, same[:9]) == 1.0
    assert two_sets.distance(same, same[:9]) == (0.0, 1.0)


def test_counts() -> None:
    for _ in range(200):
        rows = RNG.integers(0, RNG.choice([4, 30, 400]), (2, 2))
        table = ((int(rows[0, 0]), int(rows[0, 1])), (int(rows[1, 0]), int(rows[1, 1])))
        expected = stats.fisher_exact(rows).pvalue
        assert two_sets.fisher_p(table) == pytest.approx(expected, rel=1e-9)


def test_the_lady_tasting_tea() -> None:
    """Fisher, The Design of Experiments, section 5 (from memory): 3 of 4 cups told rightly gives 17
    of 70 one-sided, 34 of 70 two-sided."""
    assert two_sets.fisher_p(((3, 1), (1, 3))) == pytest.approx(34 / 70)
