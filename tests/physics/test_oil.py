# SPDX-License-Identifier: MIT
from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.physics import oil


@given(st.floats(20.0, 300.0), st.floats(0.1, 0.6), st.floats(-10.0, 110.0))
def test_viscosity_falls_with_temperature(nu40: float, part: float, t: float) -> None:
    nu100 = max(part * nu40 / 2.0, 4.0)
    line = oil.ViscosityTemperature.through(nu40, 40.0, nu100, 100.0)
    assert line.kinematic_mm2_s(40.0) == pytest.approx(nu40)
    assert line.kinematic_mm2_s(100.0) == pytest.approx(nu100)
    assert line.kinematic_mm2_s(t - 5.0) > line.kinematic_mm2_s(t)


def test_refused_outside_its_form() -> None:
    with pytest.raises(ValueError, match="2 mm"):
        oil.ViscosityTemperature.through(40.0, 40.0, 1.9, 100.0)
    with pytest.raises(ValueError, match="different temperatures"):
        oil.ViscosityTemperature.through(40.0, 40.0, 8.0, 40.0)
    thin = oil.ViscosityTemperature.through(10.0, 40.0, 2.7, 100.0)
    with pytest.raises(ValueError, match="does not hold"):
        thin.kinematic_mm2_s(160.0)


@given(st.floats(0.0005, 0.5), st.floats(101.4, 5000.0))
def test_squeezing_undone(free_air: float, p: float) -> None:
    added = oil.squeezed_fraction(p, free_air)
    assert oil.pressure_when_squeezed_kpa(added, free_air) == pytest.approx(p, rel=1e-6)


@given(st.floats(0.0005, 0.5), st.floats(1e-6, 0.4))
def test_more_oil_more_pressure(free_air: float, added: float) -> None:
    low = oil.pressure_when_squeezed_kpa(added, free_air)
    assert oil.pressure_when_squeezed_kpa(added * 1.01, free_air) > low > oil.ATMOSPHERE_KPA


def test_a_void_has_the_atmospheres_pressure() -> None:
    assert oil.pressure_when_squeezed_kpa(-0.01, 0.02) == oil.ATMOSPHERE_KPA
    assert oil.pressure_when_squeezed_kpa(0.0, 0.02) == oil.ATMOSPHERE_KPA


@given(st.floats(0.001, 0.2), st.floats(101.4, 2000.0))
def test_air_makes_oil_soft(free_air: float, p: float) -> None:
    assert oil.bulk_modulus_kpa(p, free_air) < oil.bulk_modulus_kpa(p, 0.0)
    assert oil.bulk_modulus_kpa(p, 0.0) == pytest.approx(oil.BULK_MODULUS_KPA)


def test_dynamic_viscosity() -> None:
    assert oil.dynamic_pa_s(10.0, 850.0) == pytest.approx(8.5e-3)
