# SPDX-License-Identifier: MIT
"""Two straight lines of flux over current, and the time in which one turns into the other.

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
"""tau changes as this power of the time since the first instant. A closing gap moves ever faster
and has more effect the smaller it is; an opening gap has the most effect at first."""
GRID = 22
"""Candidates for each of the two instants in the first search."""
GRID_SAMPLES = 150
"""Maximum number of samples in the first search."""
SINGULAR = 1e-13
STEPS: Float = np.array([(0, 0), (1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, -1)], np.float64)
CLOSING_SHARES, OPENING_SHARES = (0.65, 0.03), (0.3, 0.35)
"""Standard uncertainties of the two instants from the unknown shape of the movement, as shares of
the time between them (found on simulated rigs, tests/studies)."""


class Changing(NamedTuple):
    """Samples to fit: `t` s, `x` A, `y` A s, and the columns (n, m) of the fixed terms."""

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
    """`square` A^2 s^2 is the remaining sum of squares; `linear` is tau before, tau after, and the
    fixed terms."""

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
    """Standard uncertainties of the terms of `plain`, for this variance of a sample's residual."""
    columns = np.column_stack((samples.x, samples.fixed))
    scale = np.sqrt((columns * columns).sum(axis=0))
    inverse = np.linalg.pinv((columns / scale).T @ (columns / scale))
    found: Float = np.sqrt(np.maximum(np.diag(inverse), 0.0) * scatter) / scale
    return found


def _solve(samples: Changing, leaves: Float, seated: Float, shape: float) -> tuple[Float, Float]:
    """The remaining squares (k,) and the linear terms (k, m) for k pairs of instants at once."""
    away = (samples.t - leaves[:, None]) / (seated - leaves)[:, None]
    part = np.clip(away, 0.0, 1.0) ** shape
    fixed = np.broadcast_to(samples.fixed, (len(leaves), *samples.fixed.shape))
    moving = np.stack((samples.x * (1.0 - part), samples.x * part), axis=2)
    columns = np.concatenate((moving, fixed), axis=2)
    turned = columns.transpose(0, 2, 1)
    gram, right = turned @ columns, turned @ samples.y
    # pairs that the samples cannot tell apart give no fit; the others stay exact
    scale = np.sqrt(np.maximum(np.einsum("kii->ki", gram), 1e-300))
    scaled = gram / (scale[:, :, None] * scale[:, None, :])
    good = np.abs(np.linalg.det(scaled)) > SINGULAR
    scaled[~good] = np.eye(gram.shape[1])
    linear = np.linalg.solve(scaled, (right / scale)[:, :, None])[:, :, 0] / scale
    rest = samples.y - np.einsum("knm,km->kn", columns, linear)
    square = np.where(good, np.einsum("kn,kn->k", rest, rest), np.inf)
    return square, linear


def search(samples: Changing, shapes: Sequence[float] = CLOSING) -> Fit:
    """The best pair of instants: on a grid, then by ever smaller steps around it."""
    ends = np.unique(np.linspace(2, len(samples.t) - 4, GRID).round().astype(int))
    first, second = np.triu_indices(len(ends), 1)
    leaves, seated = samples.t[ends[first]], samples.t[ends[second]]
    stride = -(-len(samples.t) // GRID_SAMPLES)
    thinned = Changing(*(column[::stride] for column in samples))
    square, _ = _solve(thinned, leaves, seated, shapes[0])
    best = int(np.argmin(square))
    start = (float(leaves[best]), float(seated[best]))
    if not math.isfinite(square[best]):
        return Fit(math.inf, NAN, NAN, shapes[0], np.full(2 + samples.fixed.shape[1], NAN))
    wide = float(samples.t[-1] - samples.t[0]) / GRID
    fits = [_descend(samples, *start, shapes[0], wide)]
    for shape in shapes[1:]:  # another shape moves the instants a little
        near = fits[0]
        fits.append(
            _descend(samples, near.leaves, near.seated, shape, (near.seated - near.leaves) / 4)
        )
    return min(fits, key=lambda fit: fit.square)


def _descend(samples: Changing, leaves: float, seated: float, shape: float, width: float) -> Fit:
    t, step_s = samples.t, samples.step_s
    near = Fit(math.inf, leaves, seated, shape, np.full(2 + samples.fixed.shape[1], NAN))
    while width > 0.04 * step_s:
        a, s = near.leaves + width * STEPS[:, 0], near.seated + width * STEPS[:, 1]
        # some samples must show the plunger at rest, and some on its seat
        may = (a >= t[1]) & (a <= s - 0.5 * step_s) & (s <= t[-4])
        moved = False
        if may.any():
            square, linear = _solve(samples, a[may], s[may], shape)
            k = int(np.argmin(square))
            if square[k] < near.square:
                near = Fit(float(square[k]), float(a[may][k]), float(s[may][k]), shape, linear[k])
                moved = True
        if not moved:
            width *= 0.5
    return near


def uncertainties(
    samples: Changing, fit: Fit, scatter: float, shares: tuple[float, float] = CLOSING_SHARES
) -> tuple[float, float, Float]:
    """Standard uncertainties of both instants (s) and of the linear terms: Gauss-Newton
    covariance, the sampling interval, and the unknown shape."""
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
    """How much steeper (`sign` 1) or less steep (-1) x gets around `at`, in standard deviations:
    the best of several pairs of straight lines to either side. NaN at the ends."""
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
