# SPDX-License-Identifier: MIT
"""The relay's bounce in the uncertainty of response and release: what a textbook coil does with it,
and coverage on strokes from a generator of its own (numpy alone)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from stroke_trains import Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.results.run_json import run_json

TAU_MS, PULL_IN = 2.5, 0.6
"""Of the coil; the share of the steady current at which the plunger lets go."""


def touches(rng: np.random.Generator, span_ms: float) -> list[float]:
    """Instants at which the contact closes, opens, closes ... within `span_ms`."""
    if span_ms <= 0:
        return [0.0]
    inner = np.sort(rng.uniform(0.05, 0.95, 2 * int(rng.integers(0, 3)) + 1)) * span_ms
    return [0.0, *inner.tolist(), span_ms]


def let_go_ms(changes: list[float], decay_ms: float) -> float:
    """When the current of an R-L circuit reaches PULL_IN: i = I - (I - i0) exp(-t / tau) while the
    contact is closed, i = i0 exp(-t / decay) while it is open (any textbook of circuits)."""
    i, ends = 0.0, [*changes[1:], math.inf]
    for n, (begins, ends_at) in enumerate(zip(changes, ends, strict=True)):
        closed = n % 2 == 0
        if closed and i < PULL_IN:
            needed = TAU_MS * math.log((1 - i) / (1 - PULL_IN))
            if begins + needed <= ends_at:
                return begins + needed
        span = ends_at - begins
        i = 1 - (1 - i) * math.exp(-span / TAU_MS) if closed else i * math.exp(-span / decay_ms)
    return math.inf


@pytest.mark.parametrize("decay_ms", [0.05, 1.0, 20.0])
def test_a_bouncing_contact_delays_by_no_more_than_its_bounce(decay_ms: float) -> None:
    """Counted from the first touch, with a clamp, a diode, or next to no decay."""
    rng, clean = np.random.default_rng(1), TAU_MS * math.log(1 / (1 - PULL_IN))
    late = []
    for _ in range(2000):
        span = float(rng.uniform(0, 6))
        extra = let_go_ms(touches(rng, span), decay_ms) - clean
        assert -1e-9 <= extra <= span + 1e-9
        late.append(extra)
    assert max(late) > (3.0 if decay_ms < 20 else 0.5)  # some milliseconds, and in no budget before


def run_of(rng: np.random.Generator, span_ms: float, n: int = 20) -> dict:
    """A run whose coil would let go, switching cleanly, so that the response is 50 ms."""
    train, clean = Train("board"), TAU_MS * math.log(1 / (1 - PULL_IN))
    for number in range(1, n + 1):
        at = 1000.0 * number
        changes = touches(rng, span_ms)
        response = 50 + let_go_ms(changes, 0.05) - clean + 0.3 * rng.standard_normal()
        train.command(True, at, number)
        for place, change in enumerate(changes):
            train.edge("readback", place % 2 == 0, at + 5 + change)
        train.edge("switch", True, at + 5 + response)
        train.command(False, at + 500, number)
        train.edge("readback", False, at + 504)
        train.edge("switch", False, at + 534)
    train.end(1000.0 * (n + 1))
    return run_json(analyse(train.build(), setup(), sheet(strokes=n)))


@pytest.mark.parametrize("most_ms", [1.5, 6.0])
def test_the_interval_holds_the_response_of_a_clean_switching(most_ms: float) -> None:
    rng, runs, held, bare = np.random.default_rng(2), 100, 0, 0
    for _ in range(runs):
        shape = run_of(rng, float(rng.uniform(0.5, 1.0)) * most_ms)
        low, high = shape["summary"]["response_ms"]["interval95"]
        held += low <= 50 <= high
        lines = {line["name"]: line for line in shape["budget"]["response_ms"]["lines"]}
        assert 0 < lines["relay bounce"]["value"] <= most_ms / 2
        mean = shape["summary"]["response_ms"]["mean"]
        bare += abs(mean - 50) <= 0.35  # what all other lines give
    assert held / runs > 0.95 - 3 * (0.05 * 0.95 / runs) ** 0.5
    assert bare / runs < 0.8


def test_a_relay_that_does_not_bounce_has_no_line() -> None:
    shape = run_of(np.random.default_rng(3), 0.0)
    for name in ("response_ms", "release_ms", "single_response_ms"):
        assert "relay bounce" not in [line["name"] for line in shape["budget"][name]["lines"]]
