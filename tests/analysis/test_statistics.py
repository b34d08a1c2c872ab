# SPDX-License-Identifier: MIT
"""Summaries against the standard library and NIST's certified values."""

from __future__ import annotations

import statistics

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.analysis.stats.summary import quantile, summarise


@given(st.lists(st.floats(-1e6, 1e6), max_size=50), st.integers(0, 5))
def test_against_the_standard_library(values, unknown):
    summary = summarise(np.array([np.nan] * unknown + values))
    assert summary.n == len(values)
    if not values:
        assert summary == (0, None, None, None, None, None)
        return
    assert summary.mean == pytest.approx(statistics.fmean(values), abs=1e-9, rel=1e-12)
    assert (summary.min, summary.max) == (min(values), max(values))
    assert summary.median == pytest.approx(statistics.median(values), abs=1e-9)
    if len(values) > 1:
        assert summary.sd == pytest.approx(statistics.stdev(values), rel=1e-9, abs=1e-9)
    else:
        assert summary.sd is None


def pattern(first, low, high):
    return [first] + [low, high] * 500


@pytest.mark.parametrize(
    ("values", "mean", "sd", "tolerance"),
    [
        ([10000001, 10000003, 10000002], 10000002, 1, 1e-12),
        (pattern(1.2, 1.1, 1.3), 1.2, 0.1, 1e-12),
        (pattern(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, 1e-9),
        (pattern(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, 1e-8),
    ],
)
def test_nist_certified_values(values, mean, sd, tolerance):
    """NIST Statistical Reference Datasets, univariate: NumAcc1 to NumAcc4."""
    summary = summarise(np.array(values, float))
    assert summary.mean == pytest.approx(mean, rel=1e-15)
    assert summary.sd == pytest.approx(sd, rel=tolerance)


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=40))
def test_quantile_is_that_of_the_standard_library(values):
    inclusive = statistics.quantiles(values, n=20, method="inclusive")
    assert quantile(np.array(values), 0.95) == pytest.approx(inclusive[18], abs=1e-9)
