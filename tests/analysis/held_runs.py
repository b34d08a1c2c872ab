# SPDX-License-Identifier: MIT
"""Holds with known truth, for their tests."""

from __future__ import annotations

import numpy as np
from stroke_trains import MS, Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.core.records import Step

HOLD = {"state": "energised", "watch": "60 s", "settle_wait": "1 s"}


def held(pressure, *, watch=60_000, off_edges=(), kind=None, source="board"):
    """Energised at 1000 ms, watched from 1000 ms; `pressure` yields (ms after, kPa, quality)."""
    train = Train(source)
    if source == "board":
        train.add(Step("settle", 0, 0), Step("energise", 1, 1000 * MS))
    train.command(True, 1000, 1)
    train.edge("readback", True, 1008)
    train.edge("switch", True, 1050)
    if source == "board":
        train.add(Step("watch", 1, 1000 * MS))
    for at, kpa, quality in pressure:
        train.sample(1000 + at, kpa, quality)
    train.edges("switch", [1000 + at for at in off_edges], first_on=False)
    train.command(False, 1000 + watch, 1)
    train.edge("readback", False, 1000 + watch + 4)
    if not off_edges:
        train.edge("switch", False, 1000 + watch + 40)
    train.end(1000 + watch + 2000)
    return analyse(train.build(), setup(readback=True), kind or sheet("hold", **HOLD))


def leaking(rate=1.5, noise=0.4, n=600, seed=3):
    chance = np.random.default_rng(seed)
    at = np.sort(chance.uniform(100, 59_900, n))
    return at, 310.0 - rate * at / 1000 + chance.normal(0, noise, n)


def released(kpa_at, limit="10 kPa/s", watch=10_000, off_at=40, first=60):
    """A leak-down: `kpa_at` gives the pressure for ms after the release (negative: before it). With
    air, so that no oil temperature is in it (test_trapped_oil.py)."""
    train = Train()
    train.add(Step("settle", 0, 0), Step("energise", 1, 1000 * MS))
    train.stroke(
        1, 1000, 3000, live=8, dead=4, on_edges=[50], off_edges=[] if off_at is None else [off_at]
    )
    for at in range(-1500, 0, 100):
        train.sample(3000 + at, kpa_at(at))
    train.add(Step("watch", 1, 3000 * MS + 1))
    for at in range(first, watch, 100):
        train.sample(3000 + at, kpa_at(at))
    train.end(3000 + watch)
    accept = [{"figure": "decay_rate", "max": limit}]
    page = sheet("hold", state="released", watch="10 s", accept=accept)
    return analyse(train.build(), setup().model_copy(update={"medium": "air"}), page)


def drained(at):
    return 300.0 if at < 0 else 300.0 * np.exp(-at / 30)
