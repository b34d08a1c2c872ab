# SPDX-License-Identifier: MIT
"""How far consecutive values depend on one another, and the effect on their statistics.

Strokes close in time share oil temperature, coil temperature and pressure, so that a value
resembles the one before it. The model is a first-order autoregression: the mean of n such values is
only as good as that of n / inflation independent ones.

Bayley and Hammersley, Suppl. J. R. Stat. Soc. 8 (1946) 184, for the effective number of values, of
a mean and of a variance;
Marriott and Pope, Biometrika 41 (1954) 390, for the bias of the estimate (both from memory; the
formulas are checked against simulation and statsmodels in the tests).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from rig.analysis.stats.uncertainty import Line
from rig.core.recording import Float

PHI_MOST = 0.95
UNSURE = 1.0
"""Standard errors by which the correlation may exceed its estimate, where a mean is judged: a few
values estimate it badly (found by simulation, tests/checks/test_dependence.py)."""
LEAST_DOF = 2.0
"""With one degree of freedom an interval is three times as wide, and covers hardly more often."""
LEAST_N = 5
"""With fewer values their order says nothing: they are assumed independent."""

WORTH_SAYING = 0.8
REPEATABILITY = "repeatability"


class Dependence(NamedTuple):
    """Dependence of `n` values in order of time: `phi`, the correlation of each with the next (0
    where it is absent or negative: alternation improves a mean, but is not relied on), `sd` their
    standard deviation, `n_effective` the number of independent values whose mean would be as
    uncertain (the correlation may exceed its estimate), `u_mean` the standard uncertainty of the
    mean and `dof` its degrees of freedom; `whole`, at least two, the effective number for their
    spread and percentiles."""

    n: int
    phi: float
    sd: float
    n_effective: float
    u_mean: float
    dof: float
    whole: int


def lag1(values: Float) -> float | None:
    """Autocorrelation of each value with the next, about the overall mean, n-term denominator.

    NIST/SEMATECH e-Handbook 1.3.5.12. Near 0 for independent strokes, above 0 for drift, below 0
    where slow and fast strokes alternate. None with fewer than three values or all alike.
    """
    known = values[np.isfinite(values)]
    if len(known) < 3:
        return None
    away = known - known.mean()
    total = float(away @ away)
    return float(away[1:] @ away[:-1]) / total if total > 0 else None


def phi_of(values: Float, terms: int = 1) -> float:
    """The correlation of each value with the next, 0 to PHI_MOST, less the estimate's bias of about
    (terms + 4 phi) / n, where the values are residuals from a curve with this many terms (a mean is
    one); 0 where there are too few values."""
    n = len(values)
    found = lag1(values) if n >= LEAST_N else None
    if found is None:
        return 0.0
    return min(max(found + (terms + 4 * found) / max(n - 4, 1), 0.0), PHI_MOST)


def phi_at_most(phi: float, n: int) -> float:
    """Plausible upper limit of the correlation that `n` values showed as `phi`; zero stays zero."""
    return min(phi + UNSURE * math.sqrt((1 - phi * phi) / n), PHI_MOST) if phi > 0 else 0.0


def inflation(phi: float, n: int) -> float:
    """Variance of the mean of `n` values over that of independent ones; at most n / 2."""
    return min((1 + phi) / (1 - phi), n / 2) if phi > 0 else 1.0


def dependence(values: Float, *, ordered: bool = True) -> Dependence | None:
    """Dependence of `values` (n,) in order of time, NaN left out; None with fewer than two.
    `ordered` False: their order means nothing, and they are assumed independent.

    The sample's own standard deviation is too small where values depend on one another; it is
    corrected by the expectation of s^2. How often intervals with `u_mean` and `dof` cover is the
    table of `tests/studies/correlated_limits.py`: 93.5 % or more from 12 values up where phi is at
    most 0.7, less with fewer, and about 97 % where there is no dependence, the price of not knowing
    phi.
    """
    known = values[np.isfinite(values)]
    n = len(known)
    if n < 2:
        return None
    away = known - known.mean()
    away = away - away.mean()
    square = float(away @ away) / (n - 1)
    phi = phi_of(known) if ordered else 0.0
    factor = inflation(phi, n)
    square /= max(1 - (factor - 1) / (n - 1), 0.2)
    whole = max(int(n / factor + 1e-9), 2)
    if not phi > 0:
        return Dependence(
            n, phi, math.sqrt(square), float(n), math.sqrt(square / n), float(n - 1), whole
        )
    most = phi_at_most(phi, n)
    effective = n / inflation(most, n)
    # for the variance the effective number is larger than for the mean: squares are less correlated
    dof = max(n * (1 - most * most) / (1 + most * most) - 1, LEAST_DOF)
    return Dependence(
        n, phi, math.sqrt(square), effective, math.sqrt(square / effective), dof, whole
    )


def repeatability(values: Float, unit: str, name: str = REPEATABILITY) -> Line:
    """The budget line of the mean of `values` (n,), at least two, in order of time. Raises
    ValueError below two."""
    found = dependence(values)
    if found is None:
        raise ValueError("repeatability needs at least two values")
    note = f"{found.n} values, s = {found.sd:.4g}"
    if found.phi > 0 and found.n_effective < WORTH_SAYING * found.n:
        note += (
            f"; each may resemble the one before it (correlation {found.phi:.2f} found, more is "
            f"not ruled out), so they count as {found.n_effective:.0f} independent ones"
        )
    return Line(name, found.u_mean, unit, "t", dof=found.dof, note=note)
