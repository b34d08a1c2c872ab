# SPDX-License-Identifier: MIT
"""Thinning for drawing: what it must keep, on any series."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from webui.charts import decimate

limits = st.integers(5, 60)


@st.composite
def samples(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    steps = draw(st.lists(st.integers(0, 10**10), min_size=1, max_size=300))
    value = st.one_of(st.just(float("nan")), st.floats(-1e6, 1e6))
    values = draw(st.lists(value, min_size=len(steps), max_size=len(steps)))
    return np.cumsum(np.array(steps, np.int64)), np.array(values)


@st.composite
def digital(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    steps = draw(st.lists(st.integers(0, 10**10), min_size=1, max_size=300))
    levels = draw(st.lists(st.integers(0, 1), min_size=len(steps), max_size=len(steps)))
    return np.cumsum(np.array(steps, np.int64)), np.array(levels, np.int8)


def intervals(t_ns: np.ndarray, count: int) -> np.ndarray:
    """The same cut into equal intervals, worked out by exact integers one by one."""
    first, last = int(t_ns[0]), int(t_ns[-1])
    width = (last - first) // count + 1
    return np.array([(int(t) - first) // width for t in t_ns])


@given(samples(), limits)
def test_lowest_highest_ends_and_gaps_stay(series: tuple[np.ndarray, np.ndarray], n: int) -> None:
    t_ns, value = series
    keep = decimate.min_max(t_ns, value, n)
    assert len(keep) <= n
    assert len(keep) == len(t_ns) or len(t_ns) > n
    assert (np.diff(keep) > 0).all()
    assert keep[0] == 0
    assert keep[-1] == len(t_ns) - 1
    kept, gap = value[keep], np.isnan(value)
    if not gap.all():
        assert np.nanmin(kept) == np.nanmin(value)
        assert np.nanmax(kept) == np.nanmax(value)
    assert np.isnan(kept).any() == gap.any()
    if len(t_ns) > n:  # and the same holds in every interval
        interval = intervals(t_ns, (n - 2) // (3 if gap.any() else 2))
        for i in set(interval.tolist()):
            here, shown = value[interval == i], value[keep[interval[keep] == i]]
            assert np.isnan(shown).any() == np.isnan(here).any()
            if not np.isnan(here).all():
                assert np.nanmin(shown) == np.nanmin(here)
                assert np.nanmax(shown) == np.nanmax(here)


@given(digital(), limits)
def test_every_pulse_and_every_interval_end_stays(
    series: tuple[np.ndarray, np.ndarray], n: int
) -> None:
    t_ns, level = series
    keep = decimate.edges(t_ns, level, n)
    assert len(keep) <= n
    assert (np.diff(keep) > 0).all()
    if len(t_ns) <= n:
        assert len(keep) == len(t_ns)
        return
    interval = intervals(t_ns, n // 3)
    for i in set(interval.tolist()):
        here, shown = level[interval == i], level[keep[interval[keep] == i]]
        assert shown[0] == here[0]
        assert shown[-1] == here[-1]
        assert set(shown.tolist()) == set(here.tolist())


def test_one_short_pulse_among_a_hundred_thousand_edges_is_kept() -> None:
    # The switch chatters one way only in one place: a pulse of 1 us in 1,000 s.
    level = np.ones(100_000, np.int8)
    t_ns = np.arange(100_000, dtype=np.int64) * 10_000_000
    level[54_321], level[54_322] = 0, 1
    t_ns[54_322] = t_ns[54_321] + 1_000
    keep = decimate.edges(t_ns, level, 5_000)
    assert 54_321 in keep
    assert len(keep) <= 5_000


def test_one_spike_among_a_million_samples_is_kept() -> None:
    value = np.zeros(1_000_000)
    value[777_777], value[777_778] = 900.0, np.nan
    t_ns = np.arange(1_000_000, dtype=np.int64) * 1_000_000
    keep = decimate.min_max(t_ns, value, 5_000)
    assert len(keep) <= 5_000
    assert {777_777, 777_778} <= set(keep.tolist())


def test_times_near_the_end_of_int64_do_not_overflow() -> None:
    t_ns = np.array([0, 1, 2**62, 2**63 - 2, 2**63 - 1], np.int64).repeat(4)
    assert len(decimate.min_max(t_ns, np.arange(20.0), 6)) <= 6


@pytest.mark.parametrize("limit", [0, 2])
def test_too_few_points_are_refused(limit: int) -> None:
    with pytest.raises(ValueError, match="points are needed"):
        decimate.edges(np.zeros(9, np.int64), np.zeros(9, np.int8), limit)
    with pytest.raises(ValueError, match="points are needed"):
        decimate.min_max(np.zeros(9, np.int64), np.zeros(9), limit)
