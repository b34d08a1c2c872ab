# SPDX-License-Identifier: MIT
"""The calibration line against the example of JCGM 100:2008, H.3 (calibration of a thermometer).

Data: Table H.6, columns t_k and b_k. Results: H.3.3 and H.3.4 (y1 -0.1712(29), y2 0.00218(67),
r -0.930, s 0.0035, b(30) -0.1494(41)). More digits: recomputed with statsmodels' OLS.
"""

from __future__ import annotations

import numpy as np
import pytest

from rig.analysis.measure.gauge_calibration import line_fit

READING = np.array(
    [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
)
CORRECTION = -np.array(
    [0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160]
)


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
