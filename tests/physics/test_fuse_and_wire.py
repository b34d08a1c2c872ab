# SPDX-License-Identifier: MIT
from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.physics import fuse, wire


@given(st.floats(0.01, 50.0), st.floats(0.5, 40.0))
def test_margin_and_permission_agree(current: float, rating: float) -> None:
    assert fuse.may_carry(current, rating) == (fuse.loading_margin_a(current, rating) >= 0.0)
    assert fuse.loading(current, rating) == current / rating


def test_nan_may_not_be_carried() -> None:
    assert not fuse.may_carry(math.nan, 5.0)


@given(st.floats(1.0, 10.0), st.floats(1.001, 1.5))
def test_more_current_never_opens_later(multiple: float, more: float) -> None:
    first = fuse.blade_opening_time(multiple * 5.0, 5.0)
    second = fuse.blade_opening_time(multiple * more * 5.0, 5.0)
    assert second.shortest_s <= first.shortest_s
    assert second.longest_s <= first.longest_s
    assert first.shortest_s < first.longest_s


def test_between_two_rows_the_band_covers_both() -> None:
    assert fuse.blade_opening_time(1.8 * 5.0, 5.0) == (0.15, 50.0)


def test_below_the_table_it_need_not_open() -> None:
    assert fuse.blade_opening_time(5.0, 5.0).longest_s == math.inf


@pytest.mark.parametrize(("current", "rating"), [(0.0, 5.0), (1.0, 0.0), (math.nan, 5.0)])
def test_refused(current: float, rating: float) -> None:
    with pytest.raises(ValueError, match="must be positive"):
        fuse.blade_opening_time(current, rating)


@given(st.integers(-3, 40))
def test_six_gauges_are_about_half_the_diameter(gauge: int) -> None:
    ratio = wire.awg_diameter_mm(gauge) / wire.awg_diameter_mm(gauge + 6)
    assert ratio == pytest.approx(92.0 ** (6 / 39), rel=1e-12)
    assert ratio == pytest.approx(2.005, abs=1e-3)


def test_a_warm_wire_drops_more() -> None:
    assert wire.drop_v(18, 6.0, 1.0, 80.0) == pytest.approx(wire.drop_v(18, 6.0, 1.0) * 1.2358)


def test_the_next_size_carries_and_the_one_below_does_not() -> None:
    assert fuse.next_size_a(0.57) == 1.0
    assert fuse.next_size_a(4.0) == 7.5  # 75 % of 5 A are 3.75 A
    assert fuse.next_size_a(22.6) is None
    assert fuse.next_size_a(math.nan) is None
