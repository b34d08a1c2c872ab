# SPDX-License-Identifier: MIT
"""How coarse a clock was, from its stamps alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.analysis.stats.time_grid import coarsest_step_ns

MS = 1_000_000


def stamps(step_ms: float, digit_ms: float, strokes: int, seed: int) -> np.ndarray:
    """Commands, coil and switch edges as a clock of `step_ms` shows them, to the last digit."""
    rng = np.random.default_rng(seed)
    on = 1000 * np.arange(strokes) + rng.uniform(0, 20, strokes)
    true = np.concatenate([on + at + rng.normal(0, 2, strokes) for at in (0, 8, 58, 500, 504, 535)])
    seen = np.ceil(true / step_ms) * step_ms if step_ms else true
    return np.round(np.floor(seen / digit_ms + 0.5) * digit_ms * MS).astype(np.int64)


@pytest.mark.parametrize(
    ("step", "digit"),
    [
        (2, 1), (2.5, 0.1), (2.5, 1), (4, 1e-6), (5, 1e-3), (1000 / 60, 1e-3), (1000 / 60, 1),
        (1000 / 1024, 1e-3), (1000 / 400, 1e-3), (1, 1), (0.1, 0.1), (0.3, 1e-3),
    ],
)  # fmt: skip
@pytest.mark.parametrize("strokes", [1, 3, 20])
def test_an_even_clock_is_never_taken_for_a_finer_one(step, digit, strokes):
    for seed in range(5):
        found = coarsest_step_ns(stamps(step, digit, strokes, seed)) / MS
        assert found >= 0.999 * step
        if strokes == 20:
            assert found <= step * 1.02 + digit + 1e-6


@pytest.mark.parametrize("digit", [1.0, 0.1, 1e-3, 1e-6])
def test_a_clock_as_fine_as_its_digits_is_found_with_enough_stamps(digit):
    for seed in range(5):
        assert coarsest_step_ns(stamps(0, digit, 20, seed)) / MS == pytest.approx(digit, rel=1e-6)


def test_a_few_stamps_show_little():
    few = coarsest_step_ns(np.array([1000, 1095, 1500, 1551]) * MS) / MS
    assert 1 < few < 60
    assert coarsest_step_ns(np.array([5, 5])) == 0.0
    assert coarsest_step_ns(np.zeros(0, np.int64)) == 0.0
    assert coarsest_step_ns(np.array([0, 40 * MS])) == 40 * MS


def test_stamps_years_apart_take_little_memory():
    import tracemalloc

    tracemalloc.start()
    for far in (10**12, 10**15, 9 * 10**18):
        assert coarsest_step_ns(np.array([0, far // 3 + 7, far])) > 0
        assert coarsest_step_ns(np.array([0, 40 * MS, far, far + 3 * MS + 1])) > 0
    assert tracemalloc.get_traced_memory()[1] < 60e6
    tracemalloc.stop()


@given(st.lists(st.integers(-(10**15), 10**15), max_size=60))
def test_any_stamps_give_a_step(times):
    found = coarsest_step_ns(np.array(times, np.int64))
    assert found >= 0
    assert np.isfinite(found)
