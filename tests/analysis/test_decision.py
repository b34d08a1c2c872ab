# SPDX-License-Identifier: MIT
"""The decision rule by itself, against a normal distribution's closed form."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from rig.analysis.stats.propagation import Part, Spread
from rig.analysis.verdict.decision_rule import (
    CONFORMS,
    DOES_NOT_CONFORM,
    UNDECIDED,
    Estimate,
    decide,
    strokes_needed,
)

UNIT = Spread([Part(1.0, "normal")])
NONE, INF = -math.inf, math.inf


@given(
    st.floats(-5, 5), st.floats(0.1, 5), st.floats(0.01, 0.5),
    st.one_of(st.just(NONE), st.floats(-9, -1)), st.one_of(st.just(INF), st.floats(1, 9)),
)  # fmt: skip
def test_conformance_probability(best, u, risk, low, high):
    """JCGM 106:2012, 7: the chance of conformity is Phi((high - y) / u) - Phi((low - y) / u)."""
    found = decide(Estimate(best, Spread([Part(u, "normal")])), low, high, risk)
    inside = norm.cdf(high, best, u) - norm.cdf(low, best, u)
    assert found.outside == pytest.approx(1 - inside, abs=1e-9)
    if found.result == CONFORMS:
        assert 1 - inside <= risk + 1e-9
    elif found.result == DOES_NOT_CONFORM:
        assert inside <= risk + 1e-9
        assert not low <= best <= high
    assert found.guard_band == pytest.approx(u * norm.isf(risk), rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(
    ("best", "result"),
    [(8.3, CONFORMS), (8.4, UNDECIDED), (10.0, UNDECIDED), (11.6, UNDECIDED),
     (11.7, DOES_NOT_CONFORM)],
)  # fmt: skip
def test_guard_band_of_one_limit(best, result):
    """One-sided, 5 % and u = 1: guard band 1.645 u (JCGM 106:2012, 8.3.3)."""
    assert decide(Estimate(best, UNIT), NONE, 10.0, 0.05).result == result


def test_a_margin_wider_than_the_guard_band_counts():
    estimate = Estimate(7.5, UNIT)
    assert decide(estimate, NONE, 10.0, 0.05, margin=2.4).result == CONFORMS
    found = decide(estimate, NONE, 10.0, 0.05, margin=2.6)
    assert (found.result, found.guard_band) == (UNDECIDED, 2.6)
    assert decide(Estimate(12.5, UNIT), NONE, 10.0, 0.05, margin=2.6).result == UNDECIDED
    assert decide(Estimate(12.7, UNIT), NONE, 10.0, 0.05, margin=2.6).result == DOES_NOT_CONFORM


def test_a_value_known_exactly():
    for value, result in ((3.0, CONFORMS), (3.1, DOES_NOT_CONFORM)):
        found = decide(Estimate(value, None), NONE, 3.0, 0.05)
        assert (found.result, found.wrong, found.guard_band) == (result, 0.0, 0.0)


def test_limits_closer_together_than_the_uncertainty():
    found = decide(Estimate(0.0, UNIT), -0.1, 0.1, 0.05)
    assert found.result == UNDECIDED
    assert found.wrong > 0.9


def test_strokes_needed():
    assert strokes_needed(lambda n: n >= 17, 5) == 17
    assert strokes_needed(lambda n: n >= 6, 5) == 6
    assert strokes_needed(lambda n: False, 5) is None
