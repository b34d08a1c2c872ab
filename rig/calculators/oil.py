# SPDX-License-Identifier: MIT
"""`rig calc viscosity`, `grade` and `index`."""

from __future__ import annotations

from rig.calculators.frame import Calculation, Calculator, Given, Input, Refused, digits
from rig.physics import oil, sae
from rig.physics.viscosity_index import LEAST_MM2_S, viscosity_index

AT_40 = Input("at-40", "viscosity", "Kinematic viscosity at 40 degC.", above=0, most=1e6)
AT_100 = Input("at-100", "viscosity", "Kinematic viscosity at 100 degC.", above=0, most=1e6)
CHART_DEGC = (-70.0, 370.0)
"""Temperatures of the charts of ASTM D341 (from memory)."""
CHART_MOST_MM2_S = 2e7
"""Highest viscosity of those charts (from memory)."""


def _two_points(given: Given) -> None:
    wrong = []
    if not given["at-100"] < given["at-40"]:
        wrong.append(given.wrong("at-100", "oil is thinner at 100 degC than at 40 degC",
                                 "give the two the other way round"))  # fmt: skip
    if not given["at-100"] >= LEAST_MM2_S:
        wrong.append(given.wrong("at-100", "below 2 mm^2/s neither formula holds",
                                 "use the data sheet of so thin an oil"))  # fmt: skip
    if wrong:
        raise Refused(*wrong)


def _viscosity(given: Given) -> Calculation:
    _two_points(given)
    degc, rho15 = given["temperature"], given.maybe("density")
    line = oil.ViscosityTemperature.through(given["at-40"], 40.0, given["at-100"], 100.0)
    try:
        nu = line.kinematic_mm2_s(degc)
        too_thick = not nu <= CHART_MOST_MM2_S
    except OverflowError:
        too_thick = True
    except ValueError as error:
        raise Refused(
            given.wrong("temperature", str(error), "use the data sheet for so hot an oil")
        ) from error
    if too_thick:
        raise Refused(
            given.wrong("temperature", "so cold that the oil is beyond 2e7 mm^2/s, no liquid any "
                        "more, and ASTM D341 does not hold", "give a temperature of a liquid oil")
        )  # fmt: skip
    mpa_s = rho = None
    if rho15 is not None:
        rho = oil.density_kg_m3(rho15, degc)
        mpa_s = oil.dynamic_pa_s(nu, rho) * 1000
    dynamic = "" if mpa_s is None else f", {digits(mpa_s)} mPa*s"
    cautions: tuple[str, ...] = ()
    if not 40.0 <= degc <= 100.0:
        cautions = (
            f"{digits(degc)} degC lies outside the two points: the line is drawn on. Near the pour "
            "point oil is thicker than this says.",
        )
    grades = sae.grades_of(given["at-100"])
    return Calculation(
        f"{digits(nu)} mm^2/s{dynamic} at {digits(degc)} degC.",
        {
            "kinematic_mm2_s": nu, "dynamic_mpa_s": mpa_s, "density_kg_m3": rho,
            "temperature_degc": degc, "a": line.a, "b": line.b,
            "sae_grades": [grade.name for grade in grades],
        },
        "lg lg (nu + 0.7) = A - B lg T through the two points",
        "ASTM D341, short form (from 2 mm^2/s)",
        (
            "Mineral oil, fresh, without fuel in it.",
            *(() if rho is None else (
                f"Density falls by 0.064 % of that at 15 degC per K, to {digits(rho)} kg/m^3 "
                "(typical, from memory).",)),
        ),
        cautions,
    )  # fmt: skip


def _grade(given: Given) -> Calculation:
    nu, high_shear = given["at-100"], given.maybe("high-shear")
    found = sae.grades_of(nu, high_shear)
    by_flow = sae.grades_of(nu)
    winter = sae.winter_grades_of(nu)
    names = [grade.name for grade in found]
    if found:
        answer = f"SAE {_joined(names)}: {digits(nu)} mm^2/s at 100 degC"
        answer += " lies in each of them." if len(names) > 1 else " lies in it."
    elif by_flow:
        answer = (
            f"No SAE grade: {digits(nu)} mm^2/s would be SAE {_joined([g.name for g in by_flow])}, "
            f"which asks for {by_flow[0].high_shear_mpa_s:g} mPa*s or more at high shear."
        )
    elif nu < sae.GRADES[0].least_mm2_s:
        answer = f"No SAE grade: {digits(nu)} mm^2/s at 100 degC is thinner than SAE 8 (4.0)."
    else:
        answer = f"No SAE grade: {digits(nu)} mm^2/s at 100 degC is SAE 60's limit (26.1) or more."
    return Calculation(
        answer,
        {
            "grades": names,
            "ranges_mm2_s": {g.name: [g.least_mm2_s, g.below_mm2_s] for g in found},
            "winter_grades_not_excluded": [grade.name for grade in winter],
        },
        "; ".join(f"{g.name}: {g.least_mm2_s:.1f} to below {g.below_mm2_s:.1f}" for g in sae.GRADES)
        + " mm^2/s",
        "SAE J300 (January 2015), kinematic viscosity at 100 degC",
        (
            "Grades 8, 12, 16 and 20 overlap; the can says which one is meant.",
            "Not excluded by this viscosity: "
            + (_joined([grade.name for grade in winter]) if winter else "no W grade")
            + ". What makes a W grade is measured in the cold.",
            *(() if high_shear is not None else (
                "High shear at 150 degC is not looked at; --high-shear does.",)),
        ),
    )  # fmt: skip


def _index(given: Given) -> Calculation:
    _two_points(given)
    found = viscosity_index(given["at-40"], given["at-100"])
    cautions: tuple[str, ...] = ()
    if found < 0:
        cautions = ("An index below 0: look whether the two viscosities belong to one oil.",)
    return Calculation(
        f"Viscosity index {round(found):d}.",
        {"viscosity_index": round(found), "viscosity_index_exact": found},
        "up to 100: 100 (L - U)/(L - H); above: 100 + (10^N - 1)/0.00715, N = lg(H/U)/lg Y",
        "ASTM D2270; L and H from its equations (recalled)",
        (
            "U at 40 degC, Y at 100 degC, in mm^2/s. The index by the standard's table differs by "
            "less than half a unit.",
        ),
        cautions,
    )


def _joined(names: list[str]) -> str:
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last


_CALCULATORS = (
    Calculator(
        "viscosity", "Viscosity of an oil at a temperature, from those at 40 and 100 degC.",
        (AT_40, AT_100,
         Input("temperature", "temperature", "Wanted.", least=CHART_DEGC[0], most=CHART_DEGC[1]),
         Input("density", "density", "At 15 degC, for the dynamic viscosity.", needed=False,
               least=500, most=1500)),
        _viscosity,
    ),
    Calculator(
        "grade", "SAE grades of an engine oil from its viscosity at 100 degC.",
        (AT_100,
         Input("high-shear", "dynamic_viscosity", "At high shear rate and 150 degC.",
               needed=False, above=0)),
        _grade,
    ),
    Calculator(
        "index", "Viscosity index of an oil, from its viscosities at 40 and 100 degC.",
        (AT_40, AT_100), _index,
    ),
)  # fmt: skip
COMMANDS = {one.name: one.command() for one in _CALCULATORS}
