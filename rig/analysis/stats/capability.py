# SPDX-License-Identifier: MIT
"""Capability: how the spread of single strokes compares with the limits for a single stroke."""

from __future__ import annotations

import math
from typing import NamedTuple

from rig.analysis.stats.summary import summarise
from rig.core.recording import Float


class Capability(NamedTuple):
    """`cp` (None with one limit), `cpk`, and the one-sided 95 % lower bound of `cpk`."""

    cp: float | None
    cpk: float
    cpk_lower95: float


def capability(values: Float, low: float | None, high: float | None) -> Capability | None:
    """Cp and Cpk of `values` (n,) against one or two limits in the same unit.

    NIST/SEMATECH e-Handbook 6.1.6, with the sample sd: valid for a steady, normal process. None
    without limits, with fewer than two values or no spread.
    """
    found = summarise(values)
    if found.mean is None or not found.sd or (low is None and high is None):
        return None
    return capability_of(found.n, found.mean, found.sd, low, high)


def capability_of(
    n: int, mean: float, sd: float, low: float | None, high: float | None
) -> Capability:
    """Cp and Cpk from n, mean and sd; at least one limit is given."""
    sides = []
    if high is not None:
        sides.append((high - mean) / (3 * sd))
    if low is not None:
        sides.append((mean - low) / (3 * sd))
    cpk = min(sides)
    cp = (high - low) / (6 * sd) if high is not None and low is not None else None
    return Capability(cp, cpk, cpk_lower(n, cpk))


def cpk_lower(n: int, cpk: float, confidence: float = 0.95) -> float:
    """One-sided lower bound of Cpk, normal approximation: Bissell, Appl. Stat. 39 (1990) 331,
    se = sqrt(1/(9n) + Cpk^2 / (2(n - 1))). Formula from memory."""
    from scipy import special

    z = float(special.ndtri(confidence))
    return cpk - z * math.sqrt(1 / (9 * n) + cpk * cpk / (2 * (n - 1)))
