# SPDX-License-Identifier: MIT
"""Fuse loading and the opening times of automotive blade fuses."""

from __future__ import annotations

import math
from typing import NamedTuple

CONTINUOUS_LOADING_MAX = 0.75
"""Common practice, no source: a fuse carries at most 75 % of its rating continuously, at 25
degC."""


class OpeningTime(NamedTuple):
    """Shortest and longest time to open, s. `longest_s` is infinite where it need not open."""

    shortest_s: float
    longest_s: float


# Multiple of the rating -> opening time. The 160 % and 200 % rows are in data sheets of blade fuses
# that quote ISO 8820-3 (types C and F); the other rows are from memory, and editions and ratings
# differ: a band for orientation, never proof of protection.
_BLADE: tuple[tuple[float, OpeningTime], ...] = (
    (1.10, OpeningTime(360_000.0, math.inf)),
    (1.35, OpeningTime(0.75, 600.0)),
    (1.60, OpeningTime(0.25, 50.0)),
    (2.00, OpeningTime(0.15, 5.0)),
    (3.50, OpeningTime(0.04, 0.5)),
    (6.00, OpeningTime(0.0, 0.1)),
)


def blade_table() -> tuple[tuple[float, OpeningTime], ...]:
    """The listed multiples of the rating with their opening times, ascending."""
    return _BLADE


def loading(current_a: float, rating_a: float) -> float:
    """Current as a fraction of the fuse's rating."""
    return current_a / rating_a


def loading_margin_a(
    current_a: float, rating_a: float, loading_max: float = CONTINUOUS_LOADING_MAX
) -> float:
    """How much more current the fuse may carry continuously; negative when overloaded."""
    return rating_a * loading_max - current_a


def may_carry(
    current_a: float, rating_a: float, loading_max: float = CONTINUOUS_LOADING_MAX
) -> bool:
    """Whether the fuse may carry `current_a` continuously. False for NaN."""
    return current_a <= rating_a * loading_max


def blade_opening_time(current_a: float, rating_a: float) -> OpeningTime:
    """Opening time of a blade fuse, as a band.

    Between two listed multiples the band covers both of them: the longest time of the lower and
    the shortest of the higher. Up to 110 % it need not open. Raises ValueError for a current or
    rating that is not positive and finite.
    """
    if not (0.0 < current_a < math.inf and 0.0 < rating_a < math.inf):
        raise ValueError(f"current {current_a} A and rating {rating_a} A must be positive")
    multiple = current_a / rating_a
    lower = None
    for listed, band in _BLADE:
        if math.isclose(multiple, listed, rel_tol=1e-9):
            return band
        if multiple < listed:
            if lower is None:
                return OpeningTime(band.shortest_s, math.inf)
            return OpeningTime(band.shortest_s, lower.longest_s)
        lower = band
    return _BLADE[-1][1]


SIZES_A = (1.0, 2.0, 3.0, 4.0, 5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0)
"""Ratings in which blade fuses are commonly sold. From memory; not every kind has every one."""


def next_size_a(current_a: float) -> float | None:
    """The smallest of the usual ratings that may carry `current_a` continuously; None where
    none."""
    return next((size for size in SIZES_A if may_carry(current_a, size)), None)
