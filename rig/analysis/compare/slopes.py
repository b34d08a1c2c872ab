# SPDX-License-Identifier: MIT
"""How a valve's times vary with the conditions: slopes as typed, or fitted through its own runs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np

from rig.analysis.compare.run_values import NAMES, OIL, UNITS, Condition
from rig.core.errors import UsageError
from rig.core.recording import Float

TYPED_TO_U = 2 * 1.959964
"""A typed slope is a 95 % range, assumed normal: its width over this is its standard uncertainty.
"""
VARIES_SHARE, VARIES_K, VARIES_U = 0.02, 2.0, 4.0
"""A condition is fitted where it varies over the runs by more than this share of itself (oil
temperature: by this many kelvin) and by more than this many of its standard uncertainties."""
BEYOND = 0.25
"""A fitted slope holds beyond its range by this share of it, on either side."""


class Slopes(NamedTuple):
    """Slopes of one figure that were obtained together: `names` (m,) of the conditions, `values`
    (m,) in ms per UNITS, their `covariance` (m, m) with `dof`; `ranges` the minimum and maximum of
    each condition for which they hold; `how` in words."""

    names: tuple[str, ...]
    values: Float
    covariance: Float
    dof: float
    ranges: tuple[tuple[float, float], ...]
    how: str

    def holds(self, name: str, *values: float) -> bool:
        """Whether the slope of `name` holds for these values of the condition."""
        low, high = self.ranges[self.names.index(name)]
        return all(low <= value <= high for value in values)

    def effect(self, moved: Mapping[str, float]) -> tuple[float, float]:
        """Effect on the time of the conditions that `moved` (after less before), and its standard
        uncertainty, ms."""
        x = np.array([moved.get(name, 0.0) for name in self.names])
        return float(x @ self.values), math.sqrt(max(float(x @ self.covariance @ x), 0.0))


def typed(spans: Mapping[str, tuple[float, float]]) -> Slopes | None:
    """The slopes of a sheet's `[compare]`, each a 95 % range; None where it gives none."""
    if not spans:
        return None
    low = np.array([span[0] for span in spans.values()])
    high = np.array([span[1] for span in spans.values()])
    u = (high - low) / TYPED_TO_U
    anywhere = tuple((-math.inf, math.inf) for _ in spans)
    return Slopes(tuple(spans), (low + high) / 2, np.diag(u**2), math.inf, anywhere, "as typed")


def varying(conditions: Sequence[Mapping[str, Condition]]) -> list[str]:
    """Conditions known in all runs that vary enough to be fitted."""
    found = []
    for name in UNITS:
        known = [one[name] for one in conditions if name in one]
        if len(known) < len(conditions):
            continue
        values = np.array([one.value for one in known])
        least = VARIES_K if name == OIL else VARIES_SHARE * float(np.abs(values).max())
        unsure = VARIES_U * float(np.median([one.u_scatter for one in known]))
        if float(np.ptp(values)) > max(least, unsure):
            found.append(name)
    return found


def least_squares(x: Float, y: Float, u_least: float = 0.0) -> tuple[Float, Float, float]:
    """Slopes (m,) of y (n,) over the columns of x (n, m) and a constant, their covariance (m, m)
    and its degrees of freedom n - m - 1.

    Ordinary least squares (JCGM 100:2008, H.3.2, for one column). The scatter about the plane is no
    smaller than `u_least`, since a few runs may fit by luck. Raises ValueError where the columns do
    not tell the slopes apart, or nothing is left over to estimate the scatter.
    """
    n, m = x.shape
    dof = n - m - 1
    away = x - x.mean(axis=0)
    width = np.sqrt((away**2).sum(axis=0))
    if dof < 1 or not (width > 0).all():
        raise ValueError("too few runs for these slopes")
    scaled = away / width
    if np.linalg.cond(scaled) > 1e3:
        raise ValueError("the conditions moved together")
    inverse = np.linalg.inv(scaled.T @ scaled)
    values = inverse @ scaled.T @ (y - y.mean()) / width
    rest = y - y.mean() - away @ values
    square = max(float(rest @ rest) / dof, u_least**2)
    return values, square * inverse / np.outer(width, width), float(dof)


def fitted(
    runs: Sequence[int],
    conditions: Sequence[Mapping[str, Condition]],
    means: Float,
    u_means: Float,
    given: Slopes | None,
) -> Slopes | None:
    """The slopes of a figure through the mean (n,) and standard uncertainty (n,) of these runs.
    Effects of conditions whose slope is `given` are subtracted first. None where no other varies.

    Raises UsageError where the runs do not determine the slopes.
    """
    names = varying(conditions)
    if given is not None:
        first = conditions[0]
        moved = [
            {name: one[name].value - first[name].value for name in given.names if name in names}
            for one in conditions
        ]
        means = means - np.array([given.effect(one)[0] for one in moved])
        names = [name for name in names if name not in given.names]
    if not names:
        return None
    x = np.array([[one[name].value for name in names] for one in conditions])
    told = ", ".join(map(str, runs))
    try:
        values, covariance, dof = least_squares(x, means, float(np.sqrt(np.mean(u_means**2))))
    except ValueError as error:
        vary = " and ".join(NAMES[name] for name in names)
        raise UsageError(
            f"The runs {told} cannot tell how the times go with {vary} ({error}). Name at least "
            f"{len(names) + 2} runs of one valve, better ones in which a single condition was "
            "changed."
        ) from error
    spare = BEYOND * np.ptp(x, axis=0)
    ranges = zip((x.min(axis=0) - spare).tolist(), (x.max(axis=0) + spare).tolist(), strict=True)
    return Slopes(tuple(names), values, covariance, dof, tuple(ranges), f"from runs {told}")
