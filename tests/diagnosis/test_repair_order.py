# SPDX-License-Identifier: MIT
"""The order of repairs against a hand-computed example of the published method."""

from __future__ import annotations

import itertools

import pytest

from rig.diagnosis.repair_order import Repair, expected_minutes, in_order

THREE = [Repair("a", 0.5, 100.0), Repair("b", 0.3, 10.0), Repair("c", 0.2, 20.0)]


def test_probability_over_cost_by_hand():
    """Heckerman, Breese and Rommelse, Communications of the ACM 38(3), 1995: under a single fault
    the best order is by p/C. p/C: b 0.030, c 0.010, a 0.005. Expected cost by hand: 10 + 0.7*20 +
    0.5*100 = 74; in the order of p alone 100 + 0.5*10 + 0.2*20 = 109. The numbers are our own; the
    rule is quoted from memory."""
    assert [r.repair for r in in_order(THREE)] == ["b", "c", "a"]
    assert expected_minutes(in_order(THREE)) == pytest.approx(74.0)
    assert expected_minutes(THREE) == pytest.approx(109.0)


def test_no_other_order_is_cheaper():
    best = expected_minutes(in_order(THREE))
    assert all(expected_minutes(order) >= best - 1e-9 for order in itertools.permutations(THREE))
