# SPDX-License-Identifier: MIT
"""Ampacity, short-circuit withstand and clamp energy, against published tables and an integral."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from rig.physics import coil, wire

# Factors on the current for PVC wire (70 degC) by the air around it: DIN VDE 0298-4, table 17,
# column 4, as several makers of wire print it
PRINTED_FACTORS = {
    10: 1.22, 15: 1.17, 20: 1.12, 25: 1.06, 30: 1.00, 35: 0.94, 40: 0.87, 45: 0.79, 50: 0.71,
    55: 0.61, 60: 0.50, 65: 0.35,
}  # fmt: skip


@pytest.mark.parametrize(("degc", "factor"), PRINTED_FACTORS.items())
def test_factors_of_other_surroundings_are_the_printed_ones(degc: int, factor: float) -> None:
    found = wire.ampacity_a(1.5, degc) / wire.ampacity_a(1.5)
    assert found == pytest.approx(factor, abs=0.006)


@pytest.mark.parametrize(("area", "ampere"), wire.FREE_AIR_A)
def test_listed_sizes_carry_what_is_listed(area: float, ampere: float) -> None:
    assert wire.ampacity_a(area) == pytest.approx(ampere)


# Single wires of larger sizes, free in air, from the same printed table: the slope holds to them
def test_the_table_is_that_which_makers_print() -> None:
    printed = {0.75: 15, 1: 19, 1.5: 24, 2.5: 32, 4: 42, 6: 54, 10: 73, 16: 98}
    assert dict(wire.FREE_AIR_A) == printed


@pytest.mark.parametrize(
    ("start", "end", "k"),
    # IEC 60364-4-43, table 43A (from memory): PVC 115, thermosetting 143, rubber 60 degC 141
    [(70.0, 160.0, 115.0), (90.0, 250.0, 143.0), (60.0, 200.0, 141.0)],
)
def test_k_of_copper_is_the_published_one(start: float, end: float, k: float) -> None:
    assert wire.adiabatic_k(start, end) == pytest.approx(k, abs=0.6)


def test_withstand_is_k_s_squared() -> None:
    assert wire.withstand_a2s(1.5, 70, 160) == pytest.approx((115 * 1.5) ** 2, rel=0.01)


@given(st.floats(0.1, 16.0), st.floats(-40, 200), st.floats(40, 200), st.integers(1, 20))
def test_hotter_air_and_more_neighbours_never_carry_more(
    area: float, around: float, insulation: float, circuits: int
) -> None:
    found = wire.ampacity_a(area, around, insulation, circuits)
    assert found >= 0
    assert wire.ampacity_a(area, around + 1, insulation, circuits) <= found
    assert found <= wire.ampacity_a(area, around, insulation, 1)
    if area * 1.01 <= 16.0 and found > 0:
        assert wire.ampacity_a(area * 1.01, around, insulation, circuits) > found


@pytest.mark.parametrize("area", [0.05, 20.0, math.nan, -1.0])
def test_other_areas_are_refused(area: float) -> None:
    with pytest.raises(ValueError, match=r"outside 0\.1 to 16"):
        wire.ampacity_a(area)


@pytest.mark.parametrize("circuits", [0, 21])
def test_other_bundles_are_refused(circuits: int) -> None:
    with pytest.raises(ValueError, match="outside the table"):
        wire.bunched_factor(circuits)


@given(st.floats(0.01, 5), st.floats(1, 100), st.floats(1e-3, 1), st.floats(0.5, 100))
def test_clamp_energy_is_the_integral_of_the_decay(
    start: float, ohm: float, henry: float, clamp_v: float
) -> None:
    end_s = coil.release_time_s(start, 0.0, ohm, henry, clamp_v)
    charge, _ = quad(lambda t: coil.current_decay_a(t, start, ohm, henry, clamp_v), 0, end_s)
    found = coil.clamp_energy_j(start, ohm, henry, clamp_v)
    assert found == pytest.approx(clamp_v * charge, rel=1e-6)
    assert found < coil.stored_energy_j(start, henry)
