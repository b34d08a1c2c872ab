# SPDX-License-Identifier: MIT
"""Stroke-to-stroke scatter: a separate seeded random stream for each part of the plant, so that
what one part draws never depends on another."""

from __future__ import annotations

import random

GAP_MIN_S = 5e-6
"""Two changes of a bouncing contact are never closer."""


def stream(seed: int, part: str) -> random.Random:
    """The random numbers of one part; the same on every platform for the same seed."""
    return random.Random(f"{seed} {part}")  # noqa: S311 - scatter, not secrets


def bounce_offsets(rng: random.Random, bounces_max: int, time_s: float) -> list[float]:
    """When a contact that has just changed opens and closes again, seconds after that change.

    An even number of increasing offsets (so that it ends in its new state), 0 to `bounces_max`
    pairs, within half to one and a half times `time_s`, closer together towards the end as a
    contact loses its energy.
    """
    bounces = rng.randint(0, bounces_max)
    if not bounces:
        return []
    total_s = time_s * rng.uniform(0.5, 1.5)
    offsets: list[float] = []
    last_s = 0.0
    for u in sorted(rng.random() for _ in range(2 * bounces)):
        last_s = max(total_s * u * (2.0 - u), last_s + GAP_MIN_S)
        offsets.append(last_s)
    return offsets
