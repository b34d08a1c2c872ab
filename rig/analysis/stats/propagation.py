# SPDX-License-Identifier: MIT
"""Propagate distributions: the sum of independent inputs in closed form, and Monte Carlo.

JCGM 101:2008. `Spread` needs no random numbers and costs a millisecond, so every run has it;
`monte_carlo` accepts any model, linear or not, and is the independent check.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple

import numpy as np

from rig.core.recording import Float

DIVISORS = {
    "normal": 1.0,
    "t": 1.0,
    "rectangular": math.sqrt(3),
    "triangular": math.sqrt(6),
    "arcsine": math.sqrt(2),
    "two-point": 1.0,
}
"""Divisor of a line's value for its standard uncertainty. "two-point": at either end with equal
probability, the widest spread of a bounded quantity."""

CELLS, FINE_CELLS = 64, 512
"""Cells of the grid; fine where the smooth part over it is narrower than a coarse cell."""
TOLERANCE = 1e-10
"""The quantile is good to this share of its range."""
STEPS_MOST = 100
"""Some seven are usual, 24 the most of 400 sums of one to five parts."""
NEGLIGIBLE = 1e-3
"""Share of the largest part below which a part's shape is ignored."""
SIGMAS = 5.5


class Part(NamedTuple):
    """One input of a sum: its standard uncertainty, its distribution, its degrees of freedom (a
    finite number makes it a scaled and shifted t, JCGM 101:2008, 6.4.9)."""

    u: float
    distribution: str
    dof: float = math.inf


class Spread:
    """The distribution, about zero, of the sum of independent parts.

    Parts with finite degrees of freedom are combined into one t (Welch-Satterthwaite); the others
    are convolved on a grid of cells, and the t or normal part over it exactly, so that its tails
    are not cut. Every part is symmetric about zero.
    """

    def __init__(self, parts: Iterable[Part]) -> None:
        kept = [part for part in parts if part.u > 0]
        most = max((part.u for part in kept), default=0.0)
        kept = [part for part in kept if part.u >= NEGLIGIBLE * most]
        unsure = [part for part in kept if math.isfinite(part.dof)]
        normal = [part for part in kept if part not in unsure and part.distribution == "normal"]
        shaped = [p for p in kept if math.isinf(p.dof) and p.distribution != "normal"]
        self._scale, self._dof = _as_one_t(unsure)
        if unsure:
            width = math.sqrt(math.fsum(part.u**2 for part in normal))
            shaped += [Part(width, "normal")] if width > 0 else []
        else:
            self._scale = math.sqrt(math.fsum(part.u**2 for part in normal))
        self._at, self._weight = _grid(shaped, self._scale)
        self._reach = float(self._at[-1]) if len(self._at) else 0.0

    def cdf(self, x: float) -> float:
        """Probability that the sum is at most `x`."""
        from scipy.special import ndtr, stdtr

        if self._scale == 0.0:
            half = self._at[1] - self._at[0] if len(self._at) > 1 else 0.0
            edges = np.append(self._at - half / 2, self._at[-1] + half / 2)
            return float(np.interp(x, edges, np.append(0.0, np.cumsum(self._weight))))
        z = (x - self._at) / self._scale
        inside = ndtr(z) if math.isinf(self._dof) else stdtr(self._dof, z)
        return float(np.clip(self._weight @ inside, 0.0, 1.0))

    def quantile(self, share: float) -> float:
        """Where the distribution reaches `share`, 0 < share < 1. Raises ValueError elsewhere."""
        from scipy.special import ndtri, stdtrit

        if not 0 < share < 1:
            raise ValueError(f"a quantile is asked for between 0 and 1, not at {share}")
        if share < 0.5:
            return -self.quantile(1 - share)
        tail = float(ndtri(share) if math.isinf(self._dof) else stdtrit(self._dof, share))
        if len(self._at) == 1:
            return tail * self._scale
        return _root(lambda x: self.cdf(x) - share, self._reach + tail * self._scale)

    def half_width(self, coverage: float) -> float:
        """Half the interval about zero that contains the share `coverage`."""
        return self.quantile(0.5 + coverage / 2)


def _root(of: Callable[[float], float], high: float) -> float:
    """Where the rising `of` crosses zero between 0 and `high`: regula falsi, halving the weight of
    an end that stays (Dowell and Jarratt 1971, "Illinois"); scipy's takes 0.3 s to load."""
    width, low = high * TOLERANCE, 0.0
    of_low, of_high = of(low), of(high)
    stayed = 0
    for _ in range(STEPS_MOST):
        if high - low <= width or not of_low < 0.0 < of_high:
            break
        at = (low * of_high - high * of_low) / (of_high - of_low)
        at = min(max(at, low + width / 2), high - width / 2)
        value = of(at)
        if value < 0.0:
            low, of_low = at, value
            of_high, stayed = (of_high / 2, 1) if stayed == 1 else (of_high, 1)
        else:
            high, of_high = at, value
            of_low, stayed = (of_low / 2, -1) if stayed == -1 else (of_low, -1)
    return high if of_high <= 0.0 or of_low < 0.0 else low


def _as_one_t(parts: list[Part]) -> tuple[float, float]:
    square = math.fsum(part.u**2 for part in parts)
    below = math.fsum(part.u**4 / part.dof for part in parts)
    return math.sqrt(square), square * square / below if below > 0 else math.inf


def _grid(parts: list[Part], smooth: float) -> tuple[Float, Float]:
    """Cell centres and probabilities of the sum of bounded (or nearly bounded) parts; `smooth` is
    the scale of the smooth part over them."""
    at, weight = np.zeros(1), np.ones(1)
    if not parts:
        return at, weight
    reach = 2 * math.fsum(_reach(part) for part in parts)
    cell = reach / (CELLS if smooth > reach / CELLS else FINE_CELLS)
    for part in parts:
        n = math.ceil(_reach(part) / cell - 0.5)
        edges = np.asarray((np.arange(-n, n + 2) - 0.5) * cell, np.float64)
        weight = np.convolve(weight, np.diff(_cumulative(part, edges)))
    n = len(weight) // 2
    return np.asarray(np.arange(-n, n + 1) * cell, np.float64), weight / weight.sum()


def _reach(part: Part) -> float:
    return part.u * (SIGMAS if part.distribution == "normal" else DIVISORS[part.distribution])


def _cumulative(part: Part, x: Float) -> Float:
    a = _reach(part)
    if part.distribution == "normal":
        from scipy.special import ndtr

        return np.asarray(ndtr(x / part.u), dtype=np.float64)
    z = np.clip(x / a, -1.0, 1.0)
    if part.distribution == "triangular":
        return np.asarray(0.5 + z - np.sign(z) * z * z / 2)
    if part.distribution == "arcsine":
        return np.asarray(0.5 + np.arcsin(z) / math.pi)
    if part.distribution == "two-point":
        return np.where(z >= 1.0, 1.0, np.where(z > -1.0, 0.5, 0.0))
    return np.asarray((z + 1) / 2)


class MonteCarlo(NamedTuple):
    """Mean, standard deviation and the probabilistically symmetric interval of the draws."""

    mean: float
    u: float
    low: float
    high: float


def draw(part: Part, n: int, rng: np.random.Generator) -> Float:
    """`n` draws of one input about zero (JCGM 101:2008, 6.4)."""
    a = part.u * DIVISORS[part.distribution]
    if math.isfinite(part.dof):
        return np.asarray(part.u * rng.standard_t(part.dof, n))
    if part.distribution == "rectangular":
        return rng.uniform(-a, a, n)
    if part.distribution == "triangular":
        return rng.triangular(-a, 0.0, a, n)
    if part.distribution == "two-point":
        return np.asarray(a * rng.choice([-1.0, 1.0], n))
    if part.distribution == "arcsine":
        return np.asarray(a * np.sin(rng.uniform(-math.pi / 2, math.pi / 2, n)))
    return rng.normal(0.0, part.u, n)


def monte_carlo(
    model: Callable[..., Float], inputs: Mapping[str, tuple[float, Part]], n: int = 200_000,
    coverage: float = 0.95, seed: int = 0,
    correlations: Mapping[tuple[str, str], float] | None = None,
) -> MonteCarlo:  # fmt: skip
    """Propagate distributions through `model(**inputs)` (JCGM 101:2008, 7).

    Inputs named in `correlations` are drawn together, as normal (6.4.8). Raises ValueError (from
    numpy) where the correlations contradict each other.

    `inputs` gives for each argument its estimate and its Part; `model` takes arrays (n,) and
    returns one. Same seed, same result.
    """
    rng = np.random.default_rng(seed)
    together = _draw_together(inputs, correlations or {}, n, rng)
    drawn = {
        name: together[name] if name in together else value + draw(part, n, rng)
        for name, (value, part) in inputs.items()
    }
    out = np.asarray(model(**drawn), dtype=np.float64)
    low, high = np.quantile(out, [0.5 - coverage / 2, 0.5 + coverage / 2])
    return MonteCarlo(float(out.mean()), float(out.std(ddof=1)), float(low), float(high))


def _draw_together(
    inputs: Mapping[str, tuple[float, Part]], correlations: Mapping[tuple[str, str], float],
    n: int, rng: np.random.Generator,
) -> dict[str, Float]:  # fmt: skip
    names = [name for name in inputs if any(name in pair for pair in correlations)]
    if not names:
        return {}
    r = np.eye(len(names))
    for (one, two), value in correlations.items():
        i, k = names.index(one), names.index(two)
        r[i, k] = r[k, i] = value
    u = np.array([inputs[name][1].u for name in names])
    mean = [inputs[name][0] for name in names]
    found = rng.multivariate_normal(mean, r * np.outer(u, u), n, check_valid="raise")
    return {name: found[:, k] for k, name in enumerate(names)}
