# SPDX-License-Identifier: MIT
"""Uncertainty of a rate from readings that may depend on one another: the slope of a line, or the
difference of the two ends of a curve.

The residuals of a few readings hide their correlation: the curve follows what they have in common.
So nothing here is asymptotic for few readings: for each correlation of a first-order autoregression
the expected lag-1 autocorrelation of the residuals and the variance of the rate are traces of
matrices (the curve projected out), exact for any number of evenly spaced readings. Formulas:
covariance of linear functions of correlated values (JCGM 100:2008, 5.2.2).
"""

from __future__ import annotations

import functools
import math
from typing import NamedTuple

import numpy as np

from rig.analysis.stats.dependence import PHI_MOST, inflation, lag1, phi_at_most, phi_of
from rig.core.recording import Float

TERMS = 2
FEW = 100
"""Up to this many readings the exact form is used; above, the one for long spans, which is as good
there and takes no matrix."""
GRID = np.linspace(0.0, PHI_MOST, 20)
UNSURE = 1.0
"""Standard errors by which the correlation may exceed its estimate (found by simulation,
tests/analysis/test_hold.py)."""
LEAST_DOF = 3.0


class Widened(NamedTuple):
    """`factor` on the variance that the rate would have for independent readings, and the degrees
    of freedom."""

    factor: float
    dof: float


def of_slope(rest: Float) -> Widened:
    """How far the dependence of `rest` (n,), the residuals of a line in order of time, widens its
    slope; n at least 5. Where readings are few, a correlation that cannot be ruled out counts."""
    n = len(rest)
    if n > FEW:
        most = phi_at_most(phi_of(rest, TERMS), n)
        return Widened(inflation(most, n), _dof(most, n))
    most, factor = _at_most(rest, TERMS, ends=False)
    return Widened(factor, _dof(most, n))


def of_ends(rest: Float, terms: int) -> float:
    """The same factor for the difference of the first and the last reading, whose scatter is that
    of `rest` (n,), residuals of a curve of `terms` terms; 1 for many readings, which show their
    scatter."""
    return _at_most(rest, terms, ends=True)[1] if terms < len(rest) <= FEW else 1.0


def _at_most(rest: Float, terms: int, *, ends: bool) -> tuple[float, float]:
    """The correlation that cannot be ruled out, and the factor with it."""
    n, found = len(rest), lag1(rest)
    if found is None:
        return 0.0, 1.0
    expected, factors = _by_correlation(n, terms, ends)
    phi = float(np.interp(found, expected, GRID))
    most = float(np.interp(found + UNSURE * math.sqrt((1 - phi * phi) / n), expected, GRID))
    return most, float(np.interp(most, GRID, factors))


def _dof(phi: float, n: int) -> float:
    """Squares are less correlated than values (rig.analysis.stats.dependence)."""
    return max(n * (1 - phi * phi) / (1 + phi * phi) - TERMS, min(LEAST_DOF, n - TERMS))


@functools.lru_cache(maxsize=2 * FEW)
def _by_correlation(n: int, terms: int, ends: bool) -> tuple[Float, Float]:
    """For each correlation of GRID: the expected lag-1 autocorrelation of the residuals (k,), and
    the variance of the rate over what the residuals would say of it (k,)."""
    at = np.arange(n)
    curve = np.polynomial.legendre.legvander(np.linspace(-1, 1, n), terms - 1)
    columns = np.linalg.qr(curve)[0]
    project = np.eye(n) - columns @ columns.T
    beside = (np.abs(at[:, None] - at) == 1) / 2
    next_to = project @ beside @ project
    rate = columns[:, 1]
    if ends:
        rate = np.zeros(n)
        rate[[0, -1]] = math.sqrt(0.5), -math.sqrt(0.5)
    expected, factors = np.empty(len(GRID)), np.empty(len(GRID))
    for k, phi in enumerate(GRID.tolist()):
        together = phi ** np.abs(at[:, None] - at)
        left = float((project * together).sum())
        expected[k] = float((next_to * together).sum()) / left
        factors[k] = float(rate @ together @ rate) * (n - terms) / left
    return np.maximum.accumulate(expected), factors
