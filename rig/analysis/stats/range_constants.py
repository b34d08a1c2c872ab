# SPDX-License-Identifier: MIT
"""Mean and spread of the range of m normal values: d2, d3 and d2* of the average-range method."""

from __future__ import annotations

import functools
import math

import numpy as np

MANY_GROUPS = 15
"""Above this many groups printed tables use d2 (Duncan, Quality Control and Industrial Statistics).
"""
REACH = 8.0
POINTS = 601


@functools.lru_cache(maxsize=64)
def d2_d3(m: int) -> tuple[float, float]:
    """d2 = E[R] and d3 = sd[R] for the range R of m (at least 2, ValueError) standard normals.

    Tippett, Biometrika 17 (1925) 364: E[R] = integral of 1 - P^m - (1 - P)^m. E[R^2] comes from the
    distribution of R, P(R <= r) = m integral of phi(x) (P(x + r) - P(x))^(m - 1), both by the
    trapezoid rule, the second with its end correction. Accurate to eight digits.
    """
    from scipy import special

    if m < 2:
        raise ValueError("a range needs two values or more")
    x = np.linspace(-REACH, REACH, POINTS)
    step = float(x[1] - x[0])
    below = np.asarray(special.ndtr(x), float)
    d2 = float((1 - below**m - (1 - below) ** m).sum()) * step
    r = np.linspace(0.0, 2 * REACH, POINTS)
    width = float(r[1] - r[0])
    phi = np.exp(-x * x / 2) / math.sqrt(2 * math.pi)
    held = np.asarray(special.ndtr(x[None, :] + r[:, None]), float) - below[None, :]
    rest = 2 * r * (1 - m * step * (held ** (m - 1) @ phi))
    second = float(rest.sum() - (rest[0] + rest[-1]) / 2) * width + 2 * width**2 / 12
    return d2, math.sqrt(second - d2 * d2)


def d2_star(m: int, groups: int) -> float:
    """Divisor of the mean range of `groups` groups of `m` that makes its square unbiased:
    sqrt(d2^2 + d3^2 / groups), and d2 above MANY_GROUPS as in printed tables.

    Duncan's table: 3 values in 1 group give 1.9116 (K2 = 0.5231), in 30 groups 1.6926
    (K1 = 0.5908).
    """
    d2, d3 = d2_d3(m)
    return d2 if groups > MANY_GROUPS else math.sqrt(d2 * d2 + d3 * d3 / groups)
