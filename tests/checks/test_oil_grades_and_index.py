# SPDX-License-Identifier: MIT
"""Viscosity index and SAE grades against the standards' tables and worked examples."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.physics import sae
from rig.physics.viscosity_index import references, viscosity_index

# ASTM D2270, Table 1: viscosity at 100 degC, then L and H, mm^2/s. Rows as the MIT-licensed
# library `chemicals` (1.5) holds the table; the program uses the standard's equations instead.
TABLE = [
    (2.0, 7.994, 6.394), (2.5, 11.45, 9.063), (3.0, 15.49, 12.15), (3.5, 20.09, 15.66),
    (3.8, 23.13, 17.97), (4.0, 25.32, 19.56), (4.2, 27.75, 21.21), (4.4, 30.48, 22.92),
    (4.7, 35.13, 25.63), (5.0, 40.23, 28.49), (5.5, 49.09, 33.34), (6.0, 57.97, 38.19),
    (6.4, 65.18, 42.14), (6.7, 71.29, 45.33), (7.0, 78.00, 48.57), (7.4, 86.66, 52.88),
    (7.7, 93.20, 56.20), (8.0, 100.0, 59.60), (8.5, 111.5, 65.32), (9.0, 123.3, 71.10),
    (10.0, 147.7, 82.87), (12.0, 201.9, 108.0), (13.5, 247.4, 128.4), (15.0, 296.5, 149.7),
    (16.5, 350.3, 172.3), (18.0, 408.6, 196.2), (20.0, 493.2, 229.5), (22.0, 585.2, 264.9),
    (25.0, 736.5, 320.9), (28.0, 904.1, 380.6), (30.0, 1023.0, 421.7), (35.0, 1356.0, 532.5),
    (40.0, 1730.0, 651.8), (45.0, 2152.0, 780.9), (50.0, 2618.0, 919.6), (55.0, 3126.0, 1066.0),
    (60.0, 3676.0, 1222.0), (65.0, 4268.0, 1386.0), (70.0, 4905.0, 1558.0),
]  # fmt: skip


@pytest.mark.parametrize(("y", "low", "high"), TABLE)
def test_the_reference_oils_are_those_of_the_table(y: float, low: float, high: float) -> None:
    assert references(y) == pytest.approx((low, high), rel=1.2e-3)


@pytest.mark.parametrize(("y", "low", "high"), TABLE)
def test_the_index_is_that_of_the_table_within_half_a_unit(
    y: float, low: float, high: float
) -> None:
    for index in (0.0, 30.0, 60.0, 95.0):
        u = low - (low - high) * index / 100.0
        assert viscosity_index(u, y) == pytest.approx(index, abs=0.5)
    for share in (0.95, 0.85, 0.7):
        u = share * high
        if u > y:
            n = math.log(high / u) / math.log(y)
            assert viscosity_index(u, y) == pytest.approx(100 + (10**n - 1) / 0.00715, abs=0.5)


@pytest.mark.parametrize(
    ("u", "y", "index", "exact"),
    [(73.3, 8.86, 92, 92.4296), (22.83, 5.05, 156, 156.4235), (53.47, 7.80, 111, 111.3070)],
)
def test_worked_examples(u: float, y: float, index: int, exact: float) -> None:
    # ASTM D2270 worked examples (recalled); `exact` by the library chemicals from the table
    assert round(viscosity_index(u, y)) == index
    assert viscosity_index(u, y) == pytest.approx(exact, abs=0.3)


def test_above_70_the_standard_gives_one_equation() -> None:
    # ASTM D2270: L = 0.8353 Y^2 + 14.67 Y - 216, H = 0.1684 Y^2 + 11.85 Y - 97
    low, high = references(100.0)
    assert low == pytest.approx(0.8353e4 + 1467 - 216, rel=1e-4)
    assert high == pytest.approx(0.1684e4 + 1185 - 97, rel=1e-4)


@given(y=st.floats(2.0, 200.0), share=st.floats(0.02, 0.98))
def test_the_thinner_at_40_the_higher_the_index(y: float, share: float) -> None:
    low, high = references(y)
    assert y < high < low
    u = y + (1.3 * low - y) * share
    assert viscosity_index(u, y) > viscosity_index(1.01 * u, y)


def test_both_procedures_meet_at_100() -> None:
    _, high = references(10.0)
    assert viscosity_index(high, 10.0) == pytest.approx(100.0)
    assert viscosity_index(high * (1 - 1e-9), 10.0) == pytest.approx(100.0, abs=1e-6)


@pytest.mark.parametrize(("u", "y"), [(10.0, 1.99), (5.0, 5.0), (4.0, 5.0), (math.nan, 5.0)])
def test_what_has_no_index_is_refused(u: float, y: float) -> None:
    with pytest.raises(ValueError, match="100 degC"):
        viscosity_index(u, y)


# SAE J300, January 2015
@pytest.mark.parametrize(
    ("nu", "grades"),
    [
        (3.99, ""), (4.0, "8"), (5.0, "8 12"), (6.1, "12 16"), (6.5, "12 16"), (6.9, "12 16 20"),
        (7.0, "12 16 20"), (7.1, "16 20"), (8.2, "20"), (9.29, "20"), (9.3, "30"), (12.49, "30"),
        (12.5, "40"), (16.3, "50"), (21.9, "60"), (26.09, "60"), (26.1, ""),
    ],
)  # fmt: skip
def test_every_grade_that_fits_is_named(nu: float, grades: str) -> None:
    assert [grade.name for grade in sae.grades_of(nu)] == grades.split()


def test_high_shear_leaves_out_what_asks_for_more() -> None:
    assert [grade.name for grade in sae.grades_of(7.0, 2.3)] == ["12", "16"]
    assert [grade.name for grade in sae.grades_of(7.0, 2.6)] == ["12", "16", "20"]
    assert sae.grades_of(7.0, math.nan) == ()


def test_winter_grades_by_their_least_viscosity() -> None:
    assert [grade.name for grade in sae.winter_grades_of(5.6)] == ["0W", "5W", "10W", "15W", "20W"]
    assert [grade.name for grade in sae.winter_grades_of(4.0)] == ["0W", "5W"]
    assert sae.winter_grades_of(3.7) == ()
    assert sae.winter_grades_of(9.3)[-1].name == "25W"
