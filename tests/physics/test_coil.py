# SPDX-License-Identifier: MIT
"""The coil's formulas: limits, inverses and the shorted loop."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from rig.physics import coil, coil_loop

ohms = st.floats(1.0, 100.0)
henries = st.floats(1e-3, 0.5)
volts = st.floats(1.0, 36.0)


@given(ohms, st.floats(-40.0, 180.0))
def test_resistance_and_temperature_undo_each_other(r20: float, t: float) -> None:
    assert coil.copper_temperature_degc(r20, coil.copper_resistance_ohm(r20, t)) == pytest.approx(
        t, abs=1e-9
    )


@given(volts, ohms, henries, st.floats(0.0, 0.99))
def test_current_at_the_time_to_a_current_is_that_current(
    v: float, r: float, inductance: float, part: float
) -> None:
    wanted = part * v / r
    t = coil.time_to_current_s(wanted, v, r, inductance)
    assert v / r * -math.expm1(-t * r / inductance) == pytest.approx(wanted, abs=1e-9)


@given(volts, ohms, henries)
def test_a_current_that_is_never_reached(v: float, r: float, inductance: float) -> None:
    assert coil.time_to_current_s(v / r * 1.0001, v, r, inductance) == math.inf
    assert coil.time_to_current_s(math.nan, v, r, inductance) == math.inf


def test_a_current_that_is_there_already() -> None:
    assert coil.time_to_current_s(0.1, 12.0, 20.0, 0.05, start_a=0.2) == 0.0
    assert coil.release_time_s(0.1, 0.2, 20.0, 0.05, 0.7) == 0.0


@given(st.floats(0.01, 5.0), ohms, henries, st.floats(0.1, 50.0))
def test_decay_ends_at_zero_and_stays_there(
    start: float, r: float, inductance: float, clamp: float
) -> None:
    t = coil.release_time_s(start, 0.0, r, inductance, clamp)
    assert coil.current_decay_a(t, start, r, inductance, clamp) == pytest.approx(0.0, abs=1e-9)
    assert coil.current_decay_a(t * 1.1 + 1e-6, start, r, inductance, clamp) == 0.0
    # a stiffer clamp is quicker
    assert coil.release_time_s(start, 0.0, r, inductance, 2.0 * clamp) < t


def test_without_a_clamp_zero_is_only_approached() -> None:
    assert coil.release_time_s(0.5, 0.0, 20.0, 0.05, 0.0) == math.inf


def test_warm_up() -> None:
    assert coil.warm_up_k(0.0, 5.0, 30.0, 200.0) == 5.0
    assert coil.warm_up_k(1e6, 5.0, 30.0, 200.0) == pytest.approx(30.0)
    assert coil.warm_up_k(200.0, 0.0, 30.0, 200.0) == pytest.approx(30.0 * (1.0 - 1.0 / math.e))


class TestShortedTurns:
    R, L, V, CLAMP = 20.0, 0.06, 12.6, 24.7

    def test_sound_coil(self) -> None:
        sound = coil_loop.short_turns(self.R, self.L, 0.0)
        assert sound == (self.R, self.L, 1.0, 0.0)
        assert coil_loop.wired_current_stops_at_a(self.CLAMP, self.L, 0.0) == 0.0

    @given(st.floats(0.0, 0.9))
    def test_time_constants_add_up_to_the_sound_coils(self, fraction: float) -> None:
        left = coil_loop.short_turns(self.R, self.L, fraction)
        wired = coil.time_constant_s(left.resistance_ohm, left.inductance_h)
        assert wired + left.loop_time_constant_s == pytest.approx(self.L / self.R)

    @pytest.mark.parametrize("fraction", [-0.1, 1.0, math.nan])
    def test_refused(self, fraction: float) -> None:
        with pytest.raises(ValueError, match="fraction of shorted turns"):
            coil_loop.short_turns(self.R, self.L, fraction)

    def test_against_two_coupled_circuits(self) -> None:
        """The one equation for m against the two circuits it stands for, nearly perfectly
        coupled, solved by scipy."""
        left = coil_loop.short_turns(self.R, self.L, 0.4)
        l1, l2 = left.inductance_h, self.L * 0.16
        r2 = self.R * 0.4
        mutual = math.sqrt(l1 * l2) * (1.0 - 1e-6)
        det = l1 * l2 - mutual**2

        def rates(_t: float, i: list[float]) -> list[float]:
            u1, u2 = self.V - left.resistance_ohm * i[0], -r2 * i[1]
            return [(l2 * u1 - mutual * u2) / det, (l1 * u2 - mutual * u1) / det]

        t = 0.002
        solved = solve_ivp(rates, (0.0, t), [0.0, 0.0], method="Radau", rtol=1e-9, atol=1e-12)
        i1, i2 = solved.y[:, -1]
        m = i1 + i2 * (0.4 / 0.6)
        tau = l1 / left.resistance_ohm + left.loop_time_constant_s
        expected = self.V / left.resistance_ohm * (1.0 - math.exp(-t / tau))
        assert m == pytest.approx(expected, rel=1e-4)
