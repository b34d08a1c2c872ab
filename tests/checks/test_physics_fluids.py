# SPDX-License-Identifier: MIT
"""Fluid formulas against published values, the library `fluids` and scipy's ODE solver."""

from __future__ import annotations

import math

import pytest
from fluids.compressible import P_critical_flow
from fluids.core import Reynolds
from fluids.flow_meter import flow_meter_discharge
from fluids.friction import friction_laminar
from fluids.safety_valve import API520_A_g
from scipy.integrate import quad
from scipy.optimize import brentq

from rig.physics import air, flow, oil


class TestViscosity:
    LINE = oil.ViscosityTemperature.through(73.3, 40.0, 8.86, 100.0)

    def test_coefficients(self) -> None:
        # ASTM D341 short form through the two points of ASTM D2270's example oil
        assert self.LINE.a == pytest.approx(9.458392533, abs=5e-9)
        assert self.LINE.b == pytest.approx(3.680945807, abs=5e-9)

    @pytest.mark.parametrize(
        ("t", "nu"),
        [(20, 240.981242), (40, 73.3), (60, 30.082611), (80, 15.180386), (100, 8.86),
         (120, 5.742123), (150, 3.441677)],
    )  # fmt: skip
    def test_between_and_beyond(self, t: float, nu: float) -> None:
        assert self.LINE.kinematic_mm2_s(t) == pytest.approx(nu, rel=2e-7)

    def test_by_root_finding(self) -> None:
        """The defining equation, solved for the viscosity instead of by our closed form."""

        def residual(nu: float) -> float:
            return math.log10(math.log10(nu + 0.7)) - self.LINE.a + self.LINE.b * math.log10(333.15)

        assert self.LINE.kinematic_mm2_s(60.0) == pytest.approx(brentq(residual, 2.0, 1e4))

    @pytest.mark.parametrize(
        ("nu40", "nu100", "low", "high"),
        [(61.0, 10.2, 9.3, 12.5), (90.0, 14.0, 12.5, 16.3)],
    )
    def test_grades_of_j300_lie_where_they_should(
        self, nu40: float, nu100: float, low: float, high: float
    ) -> None:
        # SAE J300 (2015): grade 30 has 9.3 to 12.5, grade 40 has 12.5 to 16.3 mm^2/s at 100 degC
        line = oil.ViscosityTemperature.through(nu40, 40.0, nu100, 100.0)
        assert low <= line.kinematic_mm2_s(100.0) < high
        assert line.kinematic_mm2_s(0.0) > 5.0 * nu40  # cold oil is several times thicker


class TestOil:
    def test_density(self) -> None:
        # 0.00064 /K, typical of mineral oil (from memory)
        assert oil.density_kg_m3(870.0, 100.0) == pytest.approx(822.672, abs=1e-3)

    def test_bulk_modulus_with_air(self) -> None:
        # Merritt, Hydraulic Control Systems: 1 % free air at 300 kPa absolute, isothermal
        assert oil.bulk_modulus_kpa(300.0, 0.01, 1.4e6) == pytest.approx(29_377.0, abs=0.5)

    def test_squeezing_is_the_integral_of_the_stiffness(self) -> None:
        """Volume added = integral of dp/beta, with the air shrinking isothermally on the way."""
        x0, p0 = 0.02, oil.ATMOSPHERE_KPA

        def compliance(p: float) -> float:
            return 1.0 / oil.BULK_MODULUS_KPA + x0 * p0 / p**2

        added, _ = quad(compliance, p0, 400.0)
        assert oil.squeezed_fraction(400.0, x0) == pytest.approx(added, rel=1e-9)


class TestOrifice:
    def test_value(self) -> None:
        q = flow.orifice_m3_s(0.61, math.pi / 4e6, 500e3, 850.0)
        assert q == pytest.approx(1.643275e-5, rel=5e-7)
        assert q * 6e4 == pytest.approx(0.985965, abs=5e-7)

    def test_against_fluids(self) -> None:
        # fluids: ISO 5167 meter equation with a given C and a very large pipe
        kg_s = flow_meter_discharge(D=10.0, Do=0.001, P1=600e3, P2=100e3, rho=850.0, C=0.61)
        assert flow.orifice_m3_s(0.61, math.pi / 4e6, 500e3, 850.0) == pytest.approx(
            kg_s / 850.0, rel=1e-6
        )


class TestLaminar:
    def test_land(self) -> None:
        # Merritt: pi d c^3 dp / (12 mu L); d 12 mm, c 10 um, 500 kPa, 10 mPa s, L 3 mm
        centred = flow.annular_leak_m3_s(0.012, 10e-6, 0.003, 500e3, 0.010)
        assert centred * 6e7 == pytest.approx(3.14159265, rel=1e-8)
        assert flow.annular_leak_m3_s(0.012, 10e-6, 0.003, 500e3, 0.010, 0.5) == pytest.approx(
            1.375 * centred
        )
        assert flow.annular_leak_m3_s(
            0.012, 10e-6, 0.003, 500e3, 0.010, 1.0
        ) * 6e7 == pytest.approx(7.853982, rel=1e-6)

    def test_pipe_against_fluids(self) -> None:
        """Hagen-Poiseuille through the Darcy friction factor of the library."""
        d, length, mu, rho, q = 0.002, 0.1, 0.010, 850.0, 1e-6
        v = q / (math.pi / 4.0 * d * d)
        factor = friction_laminar(Reynolds(V=v, D=d, rho=rho, mu=mu))
        drop = factor * length / d * rho * v * v / 2.0
        assert flow.pipe_resistance_pa_s_m3(d, length, mu) * q == pytest.approx(drop, rel=1e-9)

    def test_wave_speed(self) -> None:
        # sqrt(beta/rho) for 1.4 GPa and 850 kg/m3
        speed = flow.wave_speed_m_s(1.4e9, 850.0)
        assert speed == pytest.approx(1283.378, abs=5e-4)


class TestAir:
    def test_critical_ratio(self) -> None:
        assert air.critical_ratio() == pytest.approx(0.5282817877, abs=5e-11)
        assert air.critical_ratio() == pytest.approx(P_critical_flow(1.0, 1.4), rel=1e-9)

    def test_choked_flow(self) -> None:
        m = air.choked_kg_s(0.61, math.pi / 4e6, 600e3)
        assert m == pytest.approx(6.785276e-4, rel=5e-7)
        # inverted by the sizing equation of API Standard 520 (fluids), area in m^2
        area = API520_A_g(m=m, T=293.15, Z=1.0, MW=28.9651, k=1.4, P1=6e5, P2=101325, Kd=0.61)
        assert area == pytest.approx(math.pi / 4e6, rel=5e-5)

    @pytest.mark.parametrize(
        ("p2_kpa", "kg_s"),
        [(100, 7.110000e-3), (180, 7.110000e-3), (300, 6.813619e-3), (500, 4.605069e-3),
         (590, 1.542266e-3)],
    )  # fmt: skip
    def test_iso_6358(self, p2_kpa: float, kg_s: float) -> None:
        # ISO 6358-1 (formula from memory): C 1e-8 m3/(s Pa), b 0.3, p1 600 kPa absolute
        m = air.iso6358_kg_s(1e-8, 0.3, 600e3, p2_kpa * 1e3)
        assert m == pytest.approx(kg_s, rel=5e-7)

    def test_iso_6358_as_anr(self) -> None:
        m = air.iso6358_kg_s(1e-8, 0.3, 600e3, 500e3)
        assert air.anr_m3_s(m) * 6e4 == pytest.approx(233.168, abs=5e-4)

    def test_sonic_conductance_is_choked_flow_by_another_name(self) -> None:
        c = air.sonic_conductance_m3_s_pa(0.61, math.pi / 4e6)
        assert air.iso6358_kg_s(c, 0.5, 600e3, 100e3) == pytest.approx(6.785276e-4, rel=5e-7)

    def test_pressure_decay(self) -> None:
        # the principle of EN 1779 / ASTM E2930: 100 cm3, 1.000 kPa in 60 s
        leak = air.pressure_decay_leak_pa_m3_s(100e-6, 601e3, 600e3, 60.0)
        assert leak == pytest.approx(1.666667e-3, rel=5e-7)
        at_gas = air.leak_volume_flow_m3_s(leak) * 6e7
        assert at_gas == pytest.approx(0.986923, abs=5e-7)
        at_zero = air.leak_volume_flow_m3_s(leak, 293.15, 273.15) * 6e7
        assert at_zero == pytest.approx(0.919591, abs=5e-7)

    def test_one_sccm(self) -> None:
        # 1 sccm = 1 cm3/min at 0 degC and 101.325 kPa: 1.68875e-3 Pa m3/s
        sccm = air.leak_volume_flow_m3_s(1.68875e-3, 273.15, 273.15) * 6e7
        assert sccm == pytest.approx(1.0, rel=1e-6)

    def test_temperature_mimics_a_leak_and_is_taken_out(self) -> None:
        drift = air.thermal_drift_pa(600e3, 0.1, 293.15)
        assert drift == pytest.approx(204.673, abs=5e-4)
        warm = 600e3 + drift
        assert air.pressure_decay_leak_pa_m3_s(
            100e-6, 600e3, warm, 60.0, 293.15, 293.25
        ) == pytest.approx(0.0, abs=1e-12)
