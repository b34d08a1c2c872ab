# SPDX-License-Identifier: MIT
from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.physics import air, flow

drops = st.floats(1e-3, 5e6)


@given(drops, st.floats(1e6, 1e12), st.floats(1e10, 1e18))
def test_a_passage_obeys_its_own_equation(drop: float, a: float, b: float) -> None:
    q = flow.passage_m3_s(drop, a, b)
    assert a * q + b * q * q == pytest.approx(drop, rel=1e-9)
    assert flow.passage_m3_s(-drop, a, b) == -q


@given(drops)
def test_without_drag_a_passage_is_an_orifice(drop: float) -> None:
    b = flow.orifice_coefficient(0.61, 1e-6, 850.0)
    assert flow.passage_m3_s(drop, 0.0, b) == pytest.approx(
        flow.orifice_m3_s(0.61, 1e-6, drop, 850.0)
    )


def test_no_drop_no_flow() -> None:
    assert flow.passage_m3_s(0.0, 1e9, 1e15) == 0.0
    assert flow.orifice_m3_s(0.61, 1e-6, 0.0, 850.0) == 0.0


@given(drops, st.floats(1e-6, 1e-4))
def test_leakage_goes_with_the_cube_of_the_clearance(drop: float, gap: float) -> None:
    one = flow.annular_leak_m3_s(0.01, gap, 0.003, drop, 0.01)
    assert flow.annular_leak_m3_s(0.01, 2.0 * gap, 0.003, drop, 0.01) == pytest.approx(8.0 * one)


@given(st.floats(110e3, 1e6), st.floats(0.0, 1.2), st.floats(0.1, 0.5))
def test_air_flow_is_greatest_when_choked(p1: float, ratio: float, b: float) -> None:
    choked = air.iso6358_kg_s(1e-8, b, p1, 0.0)
    now = air.iso6358_kg_s(1e-8, b, p1, ratio * p1)
    assert 0.0 <= now <= choked
    if ratio >= 1.0:
        assert now == 0.0
    if ratio <= b:
        assert now == choked


@given(st.floats(1e5, 1e6), st.floats(1e5, 1e6))
def test_air_leak_changes_sign_with_its_sides(a: float, b: float) -> None:
    there = air.annular_leak_anr_m3_s(0.008, 1e-5, 0.006, a, b)
    assert there == pytest.approx(-air.annular_leak_anr_m3_s(0.008, 1e-5, 0.006, b, a))
    assert (there > 0.0) == (a > b)


def test_a_decay_over_no_time_says_nothing() -> None:
    with pytest.raises(ValueError, match="says nothing"):
        air.pressure_decay_leak_pa_m3_s(1e-4, 6e5, 5.9e5, 0.0)
