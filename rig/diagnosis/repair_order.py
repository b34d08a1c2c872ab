# SPDX-License-Identifier: MIT
"""In which order to try repairs once no more is to be learnt by checking.

With one fault, each repair costing its minutes and tried until the fault is gone, the expected cost
is least in the order of probability over cost (Heckerman, Breese and Rommelse, "Decision-theoretic
troubleshooting", Communications of the ACM 38(3), 1995).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple


class Repair(NamedTuple):
    """Something to do: how likely it mends the fault, and what it costs in minutes."""

    repair: str
    probability: float
    minutes: float


def in_order(repairs: Sequence[Repair]) -> list[Repair]:
    """By probability over minutes, the largest first."""
    return sorted(repairs, key=lambda r: (-r.probability / r.minutes, r.repair))


def expected_minutes(repairs: Sequence[Repair]) -> float:
    """Expected minutes of trying `repairs` in the order given: each is paid for where none before
    it mended the fault."""
    left, total = 1.0, 0.0
    for repair in repairs:
        total += left * repair.minutes
        left -= repair.probability
    return total
