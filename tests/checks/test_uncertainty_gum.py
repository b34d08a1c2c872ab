# SPDX-License-Identifier: MIT
"""Budgets against the worked examples of JCGM 100:2008 (GUM) and JCGM 101:2008.

Printed figures are those of the documents, from memory where not said otherwise; each was also
recomputed with an independent library to the digits shown (metrolopy 1.1.1, GTC 1.5.1 or suncal
1.7.1).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from uncertainties import correlation_matrix, ufloat, umath

from rig.analysis.stats.propagation import Part, Spread, monte_carlo
from rig.analysis.stats.uncertainty import (
    JCGM_100,
    JCGM_101,
    Line,
    budget,
    combine,
    coverage_factor,
)


def test_end_gauge_calibration():
    """JCGM 100:2008, H.1: u_c 32 nm, 16 effective degrees of freedom, k(99 %) 2.92, U 93 nm.
    Unrounded u 31.6694, dof 16.763: metrolopy 1.1 and GTC 1.5."""
    length_nm = 50.000623e6
    lines = [
        Line("standard", 25.0, "nm", "t", dof=18),
        Line("difference, repeated", 5.8, "nm", "t", dof=24),
        Line("comparator, random", 3.9, "nm", "t", dof=5),
        Line("comparator, systematic", 6.7, "nm", "t", dof=8),
        Line("expansion coefficient", 1e-6, "1/K", "rectangular", length_nm * 0.1, dof=50),
        Line("temperature difference", 0.05, "K", "rectangular", length_nm * 11.5e-6, dof=2),
    ]
    parts = [line.part for line in lines]
    assert parts == pytest.approx([25.0, 5.8, 3.9, 6.7, 2.887, 16.60], abs=0.005)
    difference = combine(lines[1:4])
    assert difference.u == pytest.approx(9.7, abs=0.05)
    assert difference.dof == pytest.approx(25.6, abs=0.2)  # printed from unrounded parts
    # as the document goes on, with u(d) rounded to 9.7 nm
    rounded = [lines[0], Line("difference", 9.7, "nm", "t", dof=25.6), *lines[4:]]
    found = budget("length", "nm", length_nm + 215, rounded, coverage=0.99)
    assert found.u == pytest.approx(31.66940543, abs=1e-7)
    assert found.dof == pytest.approx(16.76341, abs=1e-4)
    assert round(found.u) == 32
    assert coverage_factor(found.dof, 0.99) == pytest.approx(2.92, abs=0.005)
    assert coverage_factor(found.dof, 0.99) * 32 == pytest.approx(93, abs=0.5)


def test_rounded_u_must_not_go_into_welch_satterthwaite():
    """With u_c rounded to 32 nm first the same example gives 17.5 degrees of freedom."""
    parts = [25.0, 9.7, 2.887, 16.60]
    dofs = [18, 25.6, 50, 2]
    below = sum(part**4 / dof for part, dof in zip(parts, dofs, strict=True))
    assert 32**4 / below == pytest.approx(17.47, abs=0.01)


def test_standard_uncertainties_of_the_distributions():
    """JCGM 100:2008, 4.3.7, 4.3.9 and F.2.2.1; scipy's own distributions."""
    for name, shape in (
        ("rectangular", stats.uniform(-2, 4)),
        ("triangular", stats.triang(0.5, -2, 4)),
        ("arcsine", stats.arcsine(-2, 4)),
        ("two-point", stats.rv_discrete(values=([-2, 2], [0.5, 0.5]))),
    ):
        assert Line("x", 2.0, "", name).u == pytest.approx(shape.std(), rel=1e-12)
    assert Line("resolution of 1", 0.5, "", "rectangular").u == pytest.approx(0.288675, abs=1e-6)
    two = [Line("stamp", 0.5, "ms", "rectangular"), Line("stamp", 0.5, "ms", "rectangular", -1.0)]
    assert combine(two).u == pytest.approx(0.408248, abs=1e-6)


@pytest.mark.parametrize(
    ("dof", "printed"),
    [(1, 13.97), (2, 4.53), (5, 2.65), (8, 2.37), (10, 2.28), (16, 2.17), (20, 2.13), (50, 2.05)],
)
def test_coverage_factors_of_table_g2(dof, printed):
    """JCGM 100:2008, Table G.2, 95.45 %."""
    assert coverage_factor(dof, 0.9545) == pytest.approx(printed, abs=0.006)
    assert coverage_factor(dof + 0.9, 0.9545) == coverage_factor(dof, 0.9545)  # G.4.1: cut


def test_reliability_of_a_standard_deviation():
    """JCGM 100:2008, E.4.3: 1 / sqrt(2 (n - 1)), 24 % for ten values (Table E.1)."""
    rng = np.random.default_rng(7)
    sds = rng.normal(0, 1, (40_000, 10)).std(axis=1, ddof=1)
    assert sds.std() / sds.mean() == pytest.approx(0.24, abs=0.006)


SUMS = {
    # JCGM 101:2008, 9.2.2, 9.2.3, 9.2.4: parts, then u, half widths of the two documents
    "normals": ([("normal", 1)] * 4, 2.0, 3.92, 3.92),
    "rectangulars": ([("rectangular", 1)] * 4, 2.0, 3.92, 3.879407),  # exact: Irwin-Hall
    "one dominates": ([("rectangular", 1)] * 3 + [("rectangular", 10)], 10.1489, 19.891, 17.01),
}


@pytest.mark.parametrize("name", SUMS)
def test_additive_models_of_jcgm_101(name):
    parts, u, gum, exact = SUMS[name]
    lines = [
        Line(f"x{n}", sd * math.sqrt(3) if shape == "rectangular" else sd, "", shape)
        for n, (shape, sd) in enumerate(parts)
    ]
    found = budget("sum", "", 0.0, lines)
    assert found.u == pytest.approx(u, abs=5e-5)
    assert coverage_factor(found.dof) * found.u == pytest.approx(gum, abs=0.005)
    assert found.expanded == pytest.approx(exact, abs=0.02)
    assert found.method == (JCGM_100 if name == "normals" else JCGM_101)
    spread = {f"x{n}": (0.0, Part(sd, shape)) for n, (shape, sd) in enumerate(parts)}
    drawn = monte_carlo(lambda **x: sum(x.values()), spread, n=400_000, seed=1)
    assert drawn.u == pytest.approx(found.u, rel=0.005)
    assert (drawn.high - drawn.low) / 2 == pytest.approx(found.expanded, rel=0.01)


def test_a_model_that_is_not_linear():
    """x squared of x = 0 +- 1 is chi-square with one degree of freedom: mean 1, sd sqrt 2, and
    first-order propagation gives 0 (JCGM 101:2008, 5.10 names the case)."""
    drawn = monte_carlo(lambda x: x * x, {"x": (0.0, Part(1.0, "normal"))}, n=400_000, seed=2)
    assert drawn.mean == pytest.approx(1.0, abs=0.01)
    assert drawn.u == pytest.approx(math.sqrt(2), rel=0.02)
    low, high = stats.chi2(1).ppf([0.025, 0.975])
    assert (drawn.low, drawn.high) == pytest.approx((low, high), rel=0.03, abs=0.001)


SHAPES = st.sampled_from(["normal", "rectangular", "triangular", "arcsine", "two-point"])
AMOUNTS = st.floats(0.01, 10)


@given(st.lists(st.tuples(SHAPES, AMOUNTS, st.floats(-3, 3)), min_size=1, max_size=6))
def test_combined_like_the_uncertainties_package(inputs):
    """uncertainties 3.2, linear propagation."""
    lines = [Line(f"x{n}", value, "", shape, c) for n, (shape, value, c) in enumerate(inputs)]
    other = sum(c * ufloat(0, line.u) for line, (_, _, c) in zip(lines, inputs, strict=True))
    assert combine(lines).u == pytest.approx(float(getattr(other, "s", 0.0)), rel=1e-9, abs=1e-12)


@given(st.floats(50, 400), st.floats(0.5, 5), st.floats(1, 50), st.floats(0.1, 3))
def test_decay_rate_times_gain_like_the_uncertainties_package(rate, u_rate, gain_pct, _):
    """A product, to first order: sensitivity of the gain is the rate."""
    gain = gain_pct / 1000
    lines = [Line("slope", u_rate, "kPa/s", "normal"), Line("gain", gain, "1", "normal", rate)]
    other = ufloat(rate, u_rate) * ufloat(1.0, gain)
    assert combine(lines).u == pytest.approx(other.s, rel=1e-9)


@given(
    st.floats(0.05, 5), st.integers(2, 40), st.lists(st.floats(0.05, 5), min_size=0, max_size=3),
    st.floats(0.55, 0.995),
)  # fmt: skip
def test_spread_against_draws(scale, dof, halves, share):
    """The quantile leaves the right share of independent draws below it."""
    parts = [Part(scale, "t", dof)] + [Part(a / math.sqrt(3), "rectangular") for a in halves]
    spread = Spread(parts)
    rng = np.random.default_rng(3)
    total = scale * rng.standard_t(dof, 40_000)
    for a in halves:
        total = total + rng.uniform(-a, a, 40_000)
    found = float(np.mean(total <= spread.quantile(share)))
    assert abs(found - share) < 5 * math.sqrt(share * (1 - share) / 40_000) + 0.003
    assert spread.cdf(spread.quantile(share)) == pytest.approx(share, abs=1e-6)


def test_a_bias_at_either_end_of_its_range_is_covered():
    """A relay's bounce counts wholly or not at all, by the coil's clamp: a bias of a whole or none
    of it, with the scatter of a mean over it (numpy). An arcsine covers 88 % here."""
    rng, inside = np.random.default_rng(4), {"two-point": 0, "arcsine": 0}
    for _ in range(600):
        half, sd = rng.uniform(0.5, 3), 10 ** rng.uniform(-0.5, 0.3)
        values = rng.choice([-half, half]) + rng.normal(0, sd, 11)
        for shape, divisor in (("two-point", 1.0), ("arcsine", math.sqrt(2))):
            parts = [Part(half / divisor, shape), Part(stats.sem(values), "t", 10)]
            inside[shape] += abs(values.mean()) <= Spread(parts).half_width(0.95)
    assert inside["two-point"] >= 0.935 * 600
    assert inside["arcsine"] < 0.93 * 600


def test_straight_line_of_calibration_of_a_thermometer():
    """JCGM 100:2008, H.3: intercept -0.1712(29), slope 0.00218(67), correlation -0.930,
    s 0.0035, correction at 30 degC -0.1494(41)."""
    from rig.analysis.stats.straight_line import fit_line

    t = np.array(
        [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    )
    b = np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) / -1000
    line = fit_line(t - 20, b)
    assert line is not None
    assert line.used.all()
    assert line.intercept == pytest.approx(-0.17120379, abs=5e-8)  # statsmodels
    assert line.slope == pytest.approx(0.0021827, abs=5e-7)
    assert line.slope_error == pytest.approx(0.00066794, abs=5e-8)
    # the same line told about its mean, where intercept and slope are not correlated
    s = line.slope_error * math.sqrt(((t - t.mean()) ** 2).sum())
    middle, slope = ufloat(b.mean(), s / math.sqrt(11)), ufloat(line.slope, line.slope_error)
    at = lambda celsius: middle + slope * (celsius - t.mean())  # noqa: E731
    assert s == pytest.approx(0.00349756, abs=5e-8)
    assert (at(20).n, at(20).s) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (at(30).n, at(30).s) == pytest.approx((-0.14937681, 0.00413860), abs=5e-8)
    assert correlation_matrix([at(20), slope])[0, 1] == pytest.approx(-0.930, abs=5e-4)


def test_time_constant_from_a_logarithm_like_the_uncertainties_package():
    """t90 = tau ln 10 of a first-order rise; u(tau) propagates linearly, checked by draws too."""
    tau = ufloat(20.0, 0.5)
    t90 = tau * umath.log(10)
    drawn = monte_carlo(
        lambda tau: tau * math.log(10), {"tau": (20.0, Part(0.5, "normal"))}, n=200_000, seed=5
    )
    assert (drawn.mean, drawn.u) == pytest.approx((t90.n, t90.s), rel=0.01)


def test_what_is_no_budget():
    with pytest.raises(ValueError, match="no line that counts"):
        budget("x", "ms", 1.0, [Line("nothing", 0.0, "ms", "rectangular")])
    with pytest.raises(ValueError, match="is not a number"):
        budget("x", "ms", 1.0, [Line("odd", math.nan, "ms", "rectangular")])
    with pytest.raises(ValueError, match="at least one degree"):
        coverage_factor(0.5)
    with pytest.raises(ValueError, match="between 0 and 1"):
        Spread([Part(1.0, "normal")]).quantile(1.0)


def test_end_gauge_beyond_first_order():
    """JCGM 100:2008, H.1.7: with the second-order terms u_c is 34 nm, which first order (32 nm)
    does not show; draws through the model itself do (JCGM 101:2008). Second-order sum 33.806."""
    length_nm = 50.000623e6

    def model(standard, difference, alpha, d_alpha, theta, d_theta):
        return standard + difference - standard * (d_alpha * theta + alpha * d_theta)

    inputs = {
        "standard": (length_nm, Part(25.0, "normal")),
        "difference": (215.0, Part(9.7, "normal")),
        "alpha": (11.5e-6, Part(2e-6 / math.sqrt(3), "rectangular")),
        "d_alpha": (0.0, Part(1e-6 / math.sqrt(3), "rectangular")),
        "theta": (-0.1, Part(math.hypot(0.2, 0.5 / math.sqrt(2)), "normal")),
        "d_theta": (0.0, Part(0.05 / math.sqrt(3), "rectangular")),
    }
    drawn = monte_carlo(model, inputs, n=400_000, seed=8)
    assert drawn.u == pytest.approx(33.8, abs=0.25)
    assert drawn.mean == pytest.approx(length_nm + 215, abs=0.3)
