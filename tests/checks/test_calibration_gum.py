# SPDX-License-Identifier: MIT
"""The calibration line against the example of JCGM 100:2008, H.3 (calibration of a thermometer).

Data: Table H.6, columns t_k and b_k. Results: H.3.3 and H.3.4 (y1 -0.1712(29), y2 0.00218(67),
r -0.930, s 0.0035, b(30) -0.1494(41)). More digits: recomputed with statsmodels' OLS.
"""

from __future__ import annotations

import numpy as np
import pytest

from rig.analysis.measure.gauge_calibration import lack_of_fit, line_fit

READING = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
CORRECTION = -np.array(
    [0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160]
)

DEFLECTION = np.array(
    [0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146,
     1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
     0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.98300, 1.09150,
     1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829]
)  # fmt: skip


def test_the_published_line_of_h_3():
    fit = line_fit(READING, CORRECTION, t0=20.0)
    assert round(fit.y1, 4) == -0.1712
    assert round(fit.u1, 4) == 0.0029
    assert round(fit.y2, 5) == 0.00218
    assert round(fit.u2, 5) == 0.00067
    assert round(fit.r, 3) == -0.930
    assert round(fit.s, 4) == 0.0035
    assert fit.dof == 9
    assert round(fit.correction(30.0), 4) == -0.1494
    assert round(fit.u(30.0), 4) == 0.0041


def test_more_digits_and_the_same_line_about_another_origin():
    fit = line_fit(READING, CORRECTION, t0=20.0)
    assert (fit.y1, fit.u1) == pytest.approx((-0.17120379, 0.0028776), rel=2e-5)
    assert (fit.y2, fit.u2) == pytest.approx((0.0021827, 0.00066794), rel=2e-5)
    assert fit.u(30.0) == pytest.approx(0.00413860, rel=2e-5)
    middle = line_fit(READING, CORRECTION)  # H.3.5: about the mean, uncorrelated
    assert middle.r == pytest.approx(0.0, abs=1e-9)
    assert middle.correction(30.0) == pytest.approx(fit.correction(30.0), rel=1e-9)
    assert middle.u(30.0) == pytest.approx(fit.u(30.0), rel=1e-6)


def test_the_published_lack_of_fit_of_a_load_cell():
    """NIST/SEMATECH e-Handbook of Statistical Methods, 4.6.1.5 (load cell calibration, a straight
    line): F 214.7464 with 18 and 20 degrees of freedom. Data: NIST StRD, Pontius (deflection,
    load)."""
    load = np.tile(np.arange(1, 21) * 150_000.0, 2)
    found = lack_of_fit(load, DEFLECTION)
    assert found.f == pytest.approx(214.7464, abs=1e-3)  # statsmodels, of these data: 214.746924
    assert (found.dof, found.dof_pure) == (18, 20)
    assert found.p < 1e-10
    assert lack_of_fit(load[:20], DEFLECTION[:20]) is None  # nothing was repeated


def test_lack_of_fit_against_an_analysis_of_variance():
    """statsmodels: the straight line against a level for each place (anova_lm)."""
    import pandas as pd
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    rng = np.random.default_rng(5)
    x = np.repeat([0.0, 100.0, 250.0, 300.0, 500.0], 3)
    frame = pd.DataFrame({"x": x, "y": 0.01 * x + rng.normal(0, 0.4, len(x))})
    table = anova_lm(ols("y ~ x", frame).fit(), ols("y ~ C(x)", frame).fit())
    found = lack_of_fit(x, frame.y.to_numpy())
    assert found.f == pytest.approx(table["F"].iloc[1], rel=1e-9)
    assert found.p == pytest.approx(table["Pr(>F)"].iloc[1], rel=1e-9)
