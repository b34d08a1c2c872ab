# SPDX-License-Identifier: MIT
"""Mean, standard deviation and lag-1 correlation against NIST's certified values (StRD)."""

from __future__ import annotations

import numpy as np
import pytest
from nist_univariate import SETS, Certified

from rig.analysis.stats.dependence import lag1
from rig.analysis.stats.summary import summarise


@pytest.mark.parametrize("given", SETS, ids=lambda given: given.name)
def test_certified_values(given: Certified) -> None:
    values = np.array(given.values)
    found = summarise(values)
    assert found.mean == pytest.approx(given.mean, rel=1e-15)
    assert found.sd == pytest.approx(given.sd, rel=given.tolerance)
    assert lag1(values) == pytest.approx(given.lag1, rel=1e-8)


def test_the_textbook_formula_fails_where_ours_does_not() -> None:
    """Sum of squares less n times the square of the mean: on NumAcc4 it loses every digit."""
    values = np.array(SETS[-1].values)
    n = len(values)
    textbook = (float((values**2).sum()) - float(values.sum()) ** 2 / n) / (n - 1)
    assert abs(textbook - 0.01) > 0.01
    sd = summarise(values).sd
    assert sd is not None
    assert sd**2 == pytest.approx(0.01, rel=1e-7)
