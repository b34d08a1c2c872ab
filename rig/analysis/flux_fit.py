# SPDX-License-Identifier: MIT
"""Two straight lines of flux over current, and the time between in which one becomes the other.

y = x tau(t) + terms that do not change, tau growing or falling from one value to another between
two instants. For given instants this is linear least squares; the instants are searched.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from rig.core.recording import Float

NAN = math.nan
CLOSING, OPENING = (3.5, 2.0, 6.0), (1.5, 1.0, 2.2)
"""tau changes as the power of the time since the first instant. A gap closes ever faster, and
weighs the more the smaller it is; opening, it weighs most at first."""
GRID = 28
"""Candidates for each of the two instants in the first search."""
CLOSING_SHARES, OPENING_SHARES = (0.5, 0.03), (0.3, 0.35)
"""What the shape of the movement, which is not known, leaves of the two instants: standard
uncertainties as shares of the time between them (found on simulated rigs, tests/studies)."""


class Changing(NamedTuple):
    """Samples to fit: `t` s, `x` A, `y` A s, and the columns (n, m) of the terms that stay."""

    t: Float
    x: Float
    y: Float
    fixed: Float

    @property
    def step_s(self) -> float:
        return float(np.median(np.diff(self.t)))

    def columns(self, leaves: float, seated: float, shape: float) -> Float:
        part = np.clip((self.t - leaves) / (seated - leaves), 0.0, 1.0) ** shape
        return np.column_stack((self.x * (1.0 - part), self.x * part, self.fixed))


class Fit(NamedTuple):
    """`square` A^2 s^2 the remaining sum of squares; `linear` tau before, tau after, and the fixed
    terms."""

    square: float
    leaves: float
    seated: float
    shape: float
    linear: Float


def plain(samples: Changing) -> Fit:
    """The fit with one tau throughout."""
    columns = np.column_stack((samples.x, samples.fixed))
    linear, *_ = np.linalg.lstsq(columns, samples.y, rcond=None)
    rest = samples.y - columns @ linear
    return Fit(float(rest @ rest), NAN, NAN, NAN, np.asarray(linear, np.float64))


def plain_uncertainties(samples: Changing, scatter: float) -> Float:
    """Standard uncertainties of the terms of `plain` for that variance of a sample's rest."""
    columns = np.column_stack((samples.x, samples.fixed))
    scale = np.sqrt((columns * columns).sum(axis=0))
    inverse = np.linalg.pinv((columns / scale).T @ (columns / scale))
    found: Float = np.sqrt(np.maximum(np.diag(inverse), 0.0) * scatter) / scale
    return found


def _solve(samples: Changing, leaves: float, seated: float, shape: float) -> Fit:
    columns = samples.columns(leaves, seated, shape)
    try:
        linear = np.linalg.solve(columns.T @ columns, columns.T @ samples.y)
    except np.linalg.LinAlgError:
        return Fit(math.inf, leaves, seated, shape, np.full(columns.shape[1], NAN))
    rest = samples.y - columns @ linear
    return Fit(float(rest @ rest), leaves, seated, shape, np.asarray(linear, np.float64))


def search(samples: Changing, shapes: Sequence[float] = CLOSING) -> Fit:
    """The best pair of instants: on a grid, then by ever smaller steps about it."""
    t, step_s = samples.t, samples.step_s
    ends = np.unique(np.linspace(2, len(t) - 4, GRID).round().astype(int))
    best = Fit(math.inf, NAN, NAN, shapes[0], np.full(2 + samples.fixed.shape[1], NAN))
    for n, seated in enumerate(ends):
        for leaves in ends[:n]:
            fit = _solve(samples, float(t[leaves]), float(t[seated]), shapes[0])
            if fit.square < best.square:
                best = fit
    if not math.isfinite(best.square):
        return best
    grid = best
    for shape in shapes:
        found = _descend(samples, grid._replace(shape=shape, square=math.inf), step_s)
        if found.square < best.square:
            best = found
    return best


def _descend(samples: Changing, near: Fit, step_s: float) -> Fit:
    t = samples.t
    width = float(t[-1] - t[0]) / GRID
    while width > 0.02 * step_s:
        moved = False
        for da, ds in ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, -1)):
            leaves, seated = near.leaves + da * width, near.seated + ds * width
            # the time at rest must be seen for some samples, and so must that on the seat
            if not t[1] <= leaves <= seated - 0.5 * step_s or seated > t[-4]:
                continue
            fit = _solve(samples, leaves, seated, near.shape)
            if fit.square < near.square:
                near, moved = fit, True
        if not moved:
            width *= 0.5
    return near


def uncertainties(
    samples: Changing, fit: Fit, scatter: float, shares: tuple[float, float] = CLOSING_SHARES
) -> tuple[float, float, Float]:
    """Standard uncertainties of both instants (s) and of the linear terms: Gauss-Newton
    covariance, the sampling's grain, and what the unknown shape leaves."""
    step_s = samples.step_s
    h = 0.05 * step_s
    base = samples.columns(fit.leaves, fit.seated, fit.shape)
    slopes = [
        (samples.columns(fit.leaves + da, fit.seated + ds, fit.shape) - base) @ fit.linear / h
        for da, ds in ((-h, 0.0), (0.0, h))
    ]
    jacobian = np.column_stack((base, *slopes))
    scale = np.sqrt((jacobian * jacobian).sum(axis=0))
    scale[scale == 0] = 1.0
    inverse = np.linalg.pinv((jacobian / scale).T @ (jacobian / scale))
    found = np.sqrt(np.maximum(np.diag(inverse), 0.0) * scatter) / scale
    grain, flight = step_s / math.sqrt(12.0), fit.seated - fit.leaves
    u_leaves = math.hypot(float(found[-2]), grain, shares[0] * flight)
    u_seated = math.hypot(float(found[-1]), grain, shares[1] * flight)
    return u_leaves, u_seated, found[:-2]


def bend(t: Float, x: Float, at: float, noise: float, sign: float) -> float:
    """How much steeper (`sign` 1) or less steep (-1) x gets about `at`, in standard deviations:
    the best of some pairs of straight lines to either side. NaN at the ends."""
    place = int(np.searchsorted(t, at))
    best = NAN
    for m in (2, 3, 5, 8):
        for middle in (place - 1, place, place + 1):
            if middle - m < 0 or middle + m > len(t):
                continue
            slopes, variance = [], 0.0
            for part in (slice(middle - m, middle), slice(middle, middle + m)):
                away = t[part] - t[part].mean()
                weight = float(away @ away)
                slopes.append(float(away @ x[part]) / weight)
                variance += noise * noise / weight
            found = sign * (slopes[1] - slopes[0]) / math.sqrt(variance)
            if math.isnan(best) or found > best:
                best = found
    return best
