# SPDX-License-Identifier: MIT
"""Limits of agreement, distance of two sets, and correlated inputs of a budget, against published
examples and other libraries."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from rig.analysis.stats.agreement import limits_of_agreement
from rig.analysis.stats.propagation import Part, monte_carlo
from rig.analysis.stats.two_sets import distance
from rig.analysis.stats.uncertainty import Line, budget, combine

# Bland and Altman, Lancet 327 (1986) 307, table 1: peak flow, l/min, of 17 people by two meters
# (from memory).
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def test_the_published_example_of_limits_of_agreement() -> None:
    """Bias -2.1, sd 38.8, interval of the bias -22.0 to 17.8 l/min (from memory). The paper takes
    2 sd (-79.7 and 75.5); 1.96 sd give -78.1 and 73.9."""
    found = limits_of_agreement(np.array(MINI, float), np.array(LARGE, float))
    assert found is not None
    assert (found.n, round(found.bias, 1), round(found.sd, 1)) == (17, -2.1, 38.8)
    assert found.bias_ci95 == pytest.approx((-22.0, 17.8), abs=0.1)
    assert (found.bias - 2 * found.sd, found.bias + 2 * found.sd) == pytest.approx(
        (-79.7, 75.5), abs=0.1
    )
    assert (found.low, found.high) == pytest.approx((-78.1, 73.9), abs=0.1)


@pytest.mark.parametrize("n", [4, 12])
def test_the_intervals_of_the_limits_hold_what_they_say(n: int) -> None:
    """Differences drawn about 0.4 with sd 1.5 (numpy alone)."""
    rng, runs, held = np.random.default_rng(n), 1500, np.zeros(3)
    truth = 0.4 + 1.5 * stats.norm.ppf([0.025, 0.975])
    for _ in range(runs):
        first = rng.normal(50, 5, n)
        found = limits_of_agreement(first, first + rng.normal(0.4, 1.5, n))
        assert found is not None
        pairs = (found.low_ci95, truth[0]), (found.high_ci95, truth[1]), (found.bias_ci95, 0.4)
        held += [ci.low <= value <= ci.high for ci, value in pairs]
    assert (np.abs(held / runs - 0.95) < 3 * (0.05 * 0.95 / runs) ** 0.5).all()


def test_distance_of_two_sets() -> None:
    """By hand: at 2 half of the first set lies below and none of the second, and nowhere more. p
    of four against four at 0.5: 0.7714 (exact; 54 of 70 arrangements)."""
    found = distance(np.array([1.0, 2, 3, 4, np.nan]), np.array([2.5, 3.5, 4.5, 5.5]))
    assert found is not None
    assert found.distance == 0.5
    assert found.p == pytest.approx(54 / 70)
    assert distance(np.array([np.nan]), np.ones(3)) is None


def test_the_distance_sees_what_means_do_not() -> None:
    rng = np.random.default_rng(6)
    of = 400
    alike = wider = 0
    for _ in range(of):
        one = rng.normal(50, 1, 40)
        found = distance(one, rng.normal(50, 1, 40)), distance(one, rng.normal(50, 4, 40))
        alike += found[0] is not None and found[0].p < 0.05
        wider += found[1] is not None and found[1].p < 0.05
    assert alike / of < 0.05 + 3 * (0.05 * 0.95 / of) ** 0.5
    assert wider / of > 0.8


# JCGM 100:2008, H.2: V, I and phase of an impedance, with their correlations (table H.2).
VOLT, AMPERE, PHI = 4.9990, 19.6610e-3, 1.04446
U = {"V": 0.0032, "I": 0.0095e-3, "phi": 0.00075}
R = {("V", "I"): -0.36, ("V", "phi"): 0.86, ("I", "phi"): -0.65}
SENSITIVITIES = {
    "resistance": (
        math.cos(PHI) / AMPERE,
        -VOLT * math.cos(PHI) / AMPERE**2,
        -VOLT * math.sin(PHI) / AMPERE,
    ),
    "reactance": (
        math.sin(PHI) / AMPERE,
        -VOLT * math.sin(PHI) / AMPERE**2,
        VOLT * math.cos(PHI) / AMPERE,
    ),
    "impedance": (1 / AMPERE, -VOLT / AMPERE**2, 0.0),
}
MODELS = {
    "resistance": lambda V, I, phi: V / I * np.cos(phi),  # noqa: E741
    "reactance": lambda V, I, phi: V / I * np.sin(phi),  # noqa: E741
    "impedance": lambda V, I, phi: V / I + 0 * phi,  # noqa: E741
}


@pytest.mark.parametrize(
    ("name", "value", "published"),
    [("resistance", 127.732, 0.071), ("reactance", 219.847, 0.295), ("impedance", 254.260, 0.236)],
)
def test_correlated_inputs(name: str, value: float, published: float) -> None:
    """JCGM 100:2008, table H.4: R 127.732, X 219.847, Z 254.260 ohm with 0.071, 0.295, 0.236.
    Without the correlations they would be 0.195, 0.201, 0.204. From the printed (rounded) inputs
    the last digit may differ by two."""
    c = SENSITIVITIES[name]
    lines = [Line(key, U[key], "", "normal", ci) for key, ci in zip(U, c, strict=True)]
    found = budget(name, "ohm", value, lines, correlations=R)
    assert found.u == pytest.approx(published, abs=0.0025)
    assert found.expanded == pytest.approx(1.96 * found.u, rel=2e-3)
    inputs = {
        key: (x, Part(U[key], "normal")) for key, x in zip(U, (VOLT, AMPERE, PHI), strict=True)
    }
    drawn = monte_carlo(MODELS[name], inputs, 200_000, correlations=R)
    assert drawn.mean == pytest.approx(value, abs=0.02)
    assert drawn.u == pytest.approx(found.u, rel=0.02)
    assert abs(combine(lines).u - found.u) > 0.02


def test_correlations_of_one_and_minus_one() -> None:
    """JCGM 100:2008, 5.2.2, notes 1 and 3: with r = 1 the parts add, with r = -1 they cancel. Ten
    resistors compared with one standard of 0.1 ohm: 1 ohm, not 0.32 (5.2.2, example)."""
    ten = [Line(f"R{n}", 0.1, "ohm", "normal") for n in range(10)]
    every = {(f"R{a}", f"R{b}"): 1.0 for a in range(10) for b in range(a)}
    assert combine(ten, every).u == pytest.approx(1.0)
    assert combine(ten).u == pytest.approx(0.316, abs=1e-3)
    two = [
        Line("a", 0.3, "", "t", dof=4),
        Line("b", 0.3, "", "t", dof=9),
        Line("c", 0.4, "", "t", dof=5),
    ]
    found = combine(two, {("a", "b"): -1.0})
    assert found == pytest.approx((0.4, 5.0))
    both = combine(two, {("a", "b"): 1.0})
    assert both.u == pytest.approx(math.hypot(0.6, 0.4))
    assert both.dof == pytest.approx(both.u**4 / (0.6**4 / 4 + 0.4**4 / 5))
    for wrong in ({("a", "x"): 0.5}, {("a", "a"): 0.5}, {("a", "b"): 1.5}):
        with pytest.raises(ValueError, match="there is no correlation"):
            combine(two, wrong)
    with pytest.raises(ValueError, match="contradict"):
        combine(two, {("a", "b"): -1.0, ("b", "c"): -1.0, ("a", "c"): -1.0})
