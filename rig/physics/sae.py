# SPDX-License-Identifier: MIT
"""Viscosity grades of engine oil, SAE J300 (January 2015).

Grades 8, 12, 16 and 20 overlap: one oil may satisfy several. Older tables give grade 20 from
5.6 mm^2/s; this one has 6.9.
"""

from __future__ import annotations

from typing import NamedTuple


class Grade(NamedTuple):
    """A grade without W: kinematic viscosity at 100 degC, mm^2/s, from `least` to below `below`;
    viscosity at high shear rate and 150 degC, mPa s, at least `high_shear`."""

    name: str
    least_mm2_s: float
    below_mm2_s: float
    high_shear_mpa_s: float


class WinterGrade(NamedTuple):
    """A grade with W: kinematic viscosity at 100 degC, mm^2/s, at least `least`; the grade is
    defined by cranking and pumping viscosities in the cold, which no viscosity at 100 degC
    shows."""

    name: str
    least_mm2_s: float


GRADES = (
    Grade("8", 4.0, 6.1, 1.7),
    Grade("12", 5.0, 7.1, 2.0),
    Grade("16", 6.1, 8.2, 2.3),
    Grade("20", 6.9, 9.3, 2.6),
    Grade("30", 9.3, 12.5, 2.9),
    Grade("40", 12.5, 16.3, 3.5),  # 3.5 for 0W-40, 5W-40 and 10W-40; 3.7 for the others
    Grade("50", 16.3, 21.9, 3.7),
    Grade("60", 21.9, 26.1, 3.7),
)

WINTER_GRADES = (
    WinterGrade("0W", 3.8),
    WinterGrade("5W", 3.8),
    WinterGrade("10W", 4.1),
    WinterGrade("15W", 5.6),
    WinterGrade("20W", 5.6),
    WinterGrade("25W", 9.3),
)


def grades_of(nu_100_mm2_s: float, high_shear_mpa_s: float | None = None) -> tuple[Grade, ...]:
    """Every grade that an oil of this viscosity at 100 degC satisfies, thinnest first.

    `high_shear_mpa_s`, at 150 degC, leaves out the grades that require more. Empty below grade 8
    (4.0 mm^2/s) and from 26.1 mm^2/s up.
    """
    return tuple(
        grade
        for grade in GRADES
        if grade.least_mm2_s <= nu_100_mm2_s < grade.below_mm2_s
        and (high_shear_mpa_s is None or high_shear_mpa_s >= grade.high_shear_mpa_s)
    )


def winter_grades_of(nu_100_mm2_s: float) -> tuple[WinterGrade, ...]:
    """The W grades whose minimum viscosity at 100 degC is met: necessary, not sufficient."""
    return tuple(grade for grade in WINTER_GRADES if nu_100_mm2_s >= grade.least_mm2_s)
