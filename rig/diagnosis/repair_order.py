# SPDX-License-Identifier: MIT
"""The order in which to try repairs once checks have nothing more to tell.

With one fault, and repairs tried until it is gone at a cost of their minutes, the expected cost is
least in the order of probability over cost (Heckerman, Breese and Rommelse, "Decision-theoretic
troubleshooting", Communications of the ACM 38(3), 1995).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple


class Repair(NamedTuple):
    """A repair: the probability that it mends the fault, and its cost in minutes."""

    repair: str
    probability: float
    minutes: float


def in_order(repairs: Sequence[Repair]) -> list[Repair]:
    """Sort by probability over minutes, largest first."""
    return sorted(repairs, key=lambda r: (-r.probability / r.minutes, r.repair))


def expected_minutes(repairs: Sequence[Repair]) -> float:
    """Expected minutes of trying `repairs` in the given order: each costs its minutes only if none
    before it mended the fault."""
    left, total = 1.0, 0.0
    for repair in repairs:
        total += left * repair.minutes
        left -= repair.probability
    return total
