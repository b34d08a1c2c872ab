# SPDX-License-Identifier: MIT
"""Electrical formulas against published values and scipy's ODE solver."""

from __future__ import annotations

import math

import pytest
from scipy.integrate import solve_ivp

from rig.physics import coil, fuse, wire


class TestCopper:
    # IEC 60028: alpha20 = 0.00393 /K (recalled, recomputed)
    def test_ten_ohm_at_100_degc(self) -> None:
        assert coil.copper_resistance_ohm(10.0, 100.0) == pytest.approx(13.144, abs=5e-4)

    def test_the_other_rules_of_the_trade_agree_within_half_a_percent(self) -> None:
        # 234.5 rule (US practice) 13.143418, 235 rule (IEC 60034-1) 13.137255; from memory
        ours = coil.copper_resistance_ohm(10.0, 100.0)
        for k in (234.5, 235.0):
            assert ours == pytest.approx(10.0 * (k + 100.0) / (k + 20.0), rel=1e-3)

    @pytest.mark.parametrize(("k", "rise"), [(235.0, 63.0), (234.5, 62.875)])
    def test_rise_by_resistance(self, k: float, rise: float) -> None:
        # IEC 60034-1 resistance method, 10 -> 12.5 ohm, cold at 25 degC, ambient 27 degC
        assert coil.temperature_rise_k(10.0, 12.5, 25.0, 27.0, k) == pytest.approx(rise, abs=1e-9)


class TestWire:
    # ASTM B258 diameters (from memory, reproduced by its own formula); conductivity IEC 60028
    def test_awg_18(self) -> None:
        assert wire.awg_diameter_mm(18) == pytest.approx(1.02369, abs=5e-6)
        assert wire.awg_area_mm2(18) == pytest.approx(0.82305, abs=5e-6)

    @pytest.mark.parametrize(
        ("gauge", "ohm_km"),
        [(12, 5.2108), (14, 8.2855), (16, 13.174), (18, 20.948), (20, 33.309), (22, 52.963)],
    )
    def test_resistance_per_kilometre(self, gauge: int, ohm_km: float) -> None:
        assert wire.resistance_ohm(gauge, 1000.0) == pytest.approx(ohm_km, rel=5e-5)

    def test_awg_36_is_five_mils_by_definition(self) -> None:
        assert wire.awg_diameter_mm(36) == pytest.approx(0.127, rel=1e-12)

    def test_against_ohm_circular_mil_per_foot(self) -> None:
        # ASTM B3: 10.371 ohm cmil/ft at 20 degC
        mils = wire.awg_diameter_mm(18) / 0.0254
        ohm_kft = wire.resistance_ohm(18, 304.8)
        assert ohm_kft == pytest.approx(10.371 * 1000.0 / mils**2, rel=2e-4)

    def test_drop(self) -> None:
        assert wire.drop_v(18, 6.0, 1.0) == pytest.approx(0.125689, abs=1e-6)


class TestCoilTimes:
    """R 20 ohm, L 50 mH, 12 V: closed forms, each also integrated by scipy."""

    R, L, V = 20.0, 0.050, 12.0

    def _solved(self, start_a: float, volt: float, stop_a: float) -> float:
        def hits(_t: float, i: list[float]) -> float:
            return i[0] - stop_a

        hits.terminal = True  # type: ignore[attr-defined]
        found = solve_ivp(
            lambda _t, i: [(volt - self.R * i[0]) / self.L], (0.0, 0.1), [start_a],
            rtol=1e-10, atol=1e-12, events=hits,
        )  # fmt: skip
        return float(found.t_events[0][0])

    def test_rise(self) -> None:
        assert coil.time_constant_s(self.R, self.L) == pytest.approx(2.5e-3)

    def test_pull_in_time(self) -> None:
        ours = coil.time_to_current_s(0.3, self.V, self.R, self.L)
        assert ours == pytest.approx(1.732868e-3, abs=5e-10)
        assert ours == pytest.approx(self._solved(0.0, self.V, 0.3), rel=1e-7)

    @pytest.mark.parametrize(
        ("clamp_v", "to_a", "expected_ms"),
        [
            (0.7, 0.1, 3.870876),
            (24.7, 0.1, 0.795283),
            (0.0, 0.1, 4.479399),
            (0.7, 0.0, 7.245692),
            (24.7, 0.0, 0.989934),
        ],
    )
    def test_release_time(self, clamp_v: float, to_a: float, expected_ms: float) -> None:
        ours = coil.release_time_s(0.6, to_a, self.R, self.L, clamp_v)
        assert ours * 1e3 == pytest.approx(expected_ms, abs=5e-7)
        assert ours == pytest.approx(self._solved(0.6, -clamp_v, to_a), rel=1e-7)

    def test_energy(self) -> None:
        assert coil.stored_energy_j(0.6, self.L) == pytest.approx(9.0e-3)

    def test_power(self) -> None:
        assert coil.power_w(self.V, self.R) == pytest.approx(7.2)


class TestBladeFuse:
    @pytest.mark.parametrize(
        ("percent", "shortest", "longest"), [(160, 0.25, 50.0), (200, 0.15, 5.0)]
    )
    def test_rows_quoted_in_data_sheets(
        self, percent: int, shortest: float, longest: float
    ) -> None:
        # ISO 8820-3 types C and F as quoted in data sheets of blade fuses (second hand)
        assert fuse.blade_opening_time(percent * 0.05, 5.0) == (shortest, longest)

    def test_rows_from_memory(self) -> None:
        # from memory; editions and ratings differ
        assert fuse.blade_opening_time(11.0, 10.0) == (360_000.0, math.inf)
        assert fuse.blade_opening_time(13.5, 10.0) == (0.75, 600.0)
        assert fuse.blade_opening_time(35.0, 10.0) == (0.04, 0.5)
        assert fuse.blade_opening_time(60.0, 10.0) == (0.0, 0.1)

    def test_continuous_loading(self) -> None:
        # common practice, no source: 75 % of the rating
        assert fuse.loading_margin_a(3.0, 5.0) == pytest.approx(0.75)
        assert fuse.may_carry(3.75, 5.0)
        assert not fuse.may_carry(3.7501, 5.0)
