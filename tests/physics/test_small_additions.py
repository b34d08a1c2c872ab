# SPDX-License-Identifier: MIT
"""Winding temperature, wire by area, Reynolds numbers, the fuse's table."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.physics import coil, flow, fuse, wire


@given(cold=st.floats(1.0, 100.0), share=st.floats(0.6, 1.6), at=st.floats(-20.0, 60.0))
def test_a_winding_is_as_warm_as_its_rise_says(cold: float, share: float, at: float) -> None:
    hot = cold * share
    assert coil.winding_temperature_degc(cold, hot, at) == pytest.approx(
        coil.temperature_rise_k(cold, hot, at, 0.0), abs=1e-9
    )


def test_the_two_laws_of_copper_agree_within_a_quarter_kelvin_to_100_degc() -> None:
    # IEC 60034-1 (235) against IEC 60028 (alpha 0.00393)
    hot = coil.copper_resistance_ohm(10.0, 100.0)
    assert coil.winding_temperature_degc(10.0, hot, 20.0) == pytest.approx(100.0, abs=0.25)


def test_a_gauge_is_its_area() -> None:
    assert wire.resistance_of_area_ohm(wire.awg_area_mm2(18), 7.0, 60.0) == wire.resistance_ohm(
        18, 7.0, 60.0
    )
    assert wire.resistance_of_area_ohm(1.0, 58.0) == pytest.approx(1.0)


def test_reynolds_numbers_from_the_mean_speed() -> None:
    q, d, nu, gap = 2e-5, 0.001, 12e-6, 10e-6
    speed = q / (math.pi / 4 * d * d)
    assert flow.orifice_reynolds(q, d, nu) == pytest.approx(speed * d / nu)
    speed = q / (math.pi * d * gap)
    assert flow.annular_reynolds(-q, d, nu) == pytest.approx(speed * 2 * gap / nu)


def test_the_fuse_table_ascends_and_opens_sooner_with_more() -> None:
    table = fuse.blade_table()
    multiples = [multiple for multiple, _ in table]
    assert multiples == sorted(multiples)
    for multiple, band in table:
        assert fuse.blade_opening_time(multiple * 7.5, 7.5) == band
