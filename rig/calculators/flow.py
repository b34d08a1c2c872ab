# SPDX-License-Identifier: MIT
"""`rig calc orifice` and `land`: oil flow."""

from __future__ import annotations

import math

from rig.calculators.frame import Calculation, Calculator, Given, Input, Refused, digits
from rig.physics import flow

LEAST_ORIFICE_REYNOLDS = 1000.0
"""Reynolds number below which the discharge coefficient of a sharp hole falls (see
rig.physics.flow)."""
MOST_GAP_REYNOLDS = 1000.0
"""Reynolds number below which the flow in a narrow gap is surely laminar; textbooks put the change
near 2000."""
THIN = 0.05
"""Clearance per diameter above which the gap is not thin."""

DROP = Input("drop", "pressure", "Pressure before less pressure behind.", above=0)
DENSITY = Input(
    "density", "density", "Of the oil, warm.", default="850 kg/m^3", least=500, most=1500
)


def flow_text(m3_s: float) -> str:
    """An oil flow in l/min, or ml/min where it is small."""
    l_min = m3_s * 6e4
    return f"{digits(l_min)} l/min" if l_min >= 0.1 else f"{digits(l_min * 1000)} ml/min"


def _orifice(given: Given) -> Calculation:
    d_m, nu = given["diameter"] / 1000, given.maybe("viscosity")
    area = math.pi / 4 * d_m * d_m
    q = flow.orifice_m3_s(given["discharge"], area, given["drop"] * 1000, given["density"])
    reynolds = None if nu is None else flow.orifice_reynolds(q, d_m, nu * 1e-6)
    cautions: tuple[str, ...] = ()
    if reynolds is not None and not reynolds >= LEAST_ORIFICE_REYNOLDS:
        cautions = (
            f"Reynolds number {digits(reynolds)}, below 1000: oil this thick flows slower than "
            "the formula says.",
        )
    return Calculation(
        f"{flow_text(q)} through {digits(given['diameter'])} mm at {digits(given['drop'])} kPa.",
        {"flow_l_min": q * 6e4, "area_mm2": area * 1e6, "reynolds": reynolds},
        "Q = Cd A sqrt(2 dp / rho)",
        "Bernoulli, with a discharge coefficient",
        (
            "Sharp hole in a much wider passage, discharge coefficient "
            f"{digits(given['discharge'])}, density {digits(given['density'])} kg/m^3.",
            *(() if nu is not None else (
                "Thin enough an oil: a Reynolds number above 1000; --viscosity checks it.",)),
        ),
        cautions,
    )  # fmt: skip


def _land(given: Given) -> Calculation:
    nu, mpa_s = given.maybe("viscosity"), given.maybe("dynamic-viscosity")
    wrong = []
    if (nu is None) == (mpa_s is None):
        what = "is needed, or --dynamic-viscosity" if nu is None else "and --dynamic-viscosity both"
        wrong.append(given.wrong("viscosity", what, 'give one, like --viscosity "12 mm^2/s"'))
    d_mm, worn = given["diameter"], given.maybe("worn-clearance")
    for name in ("clearance", "worn-clearance"):
        gap = given.maybe(name)
        if gap is not None and not gap <= THIN * d_mm:
            wrong.append(given.wrong(
                name, f"more than {100 * THIN:g} % of the diameter is no narrow gap",
                "give the radial clearance, half of what the two diameters differ by",
            ))  # fmt: skip
    if worn is not None and not worn > given["clearance"]:
        wrong.append(given.wrong("worn-clearance", "a worn land has more clearance than a new one",
                                 "give the two the other way round"))  # fmt: skip
    if wrong:
        raise Refused(*wrong)
    mu = nu * 1e-6 * given["density"] if nu is not None else given["dynamic-viscosity"] / 1000

    def leak(gap_mm: float) -> float:
        return flow.annular_leak_m3_s(
            d_mm / 1000, gap_mm / 1000, given["length"] / 1000, given["drop"] * 1000, mu,
            given["eccentricity"],
        )  # fmt: skip

    new = leak(given["clearance"])
    last = new if worn is None else leak(worn)
    reynolds = flow.annular_reynolds(last, d_mm / 1000, mu / given["density"])
    answer = f"{flow_text(new)} leaks along the land"
    if worn is not None:
        answer += f"; worn, {flow_text(last)}, {digits(last / new)} times as much"
    cautions: tuple[str, ...] = ()
    if not reynolds <= MOST_GAP_REYNOLDS:
        cautions = (f"Reynolds number {digits(reynolds)}: no longer surely laminar, and then less "
                    "leaks than this says.",)  # fmt: skip
    return Calculation(
        f"{answer}.",
        {
            "leak_ml_min": new * 6e7, "worn_leak_ml_min": None if worn is None else last * 6e7,
            "ratio": None if worn is None else last / new, "reynolds": reynolds,
            "viscosity_mpa_s": mu * 1000,
        },
        "Q = pi d c^3 dp / (12 mu L) (1 + 1.5 e^2)",
        "laminar flow in a narrow annular gap (Merritt, Hydraulic Control Systems)",
        (
            "The clearance is radial: half of what bore and spool differ by. With the whole "
            "difference the leak would be eight times too large.",
            f"Eccentricity {digits(given['eccentricity'])}: 0 is centred, 1 touches (2.5 times the "
            "leak).",
            "The oil is as warm in the gap as the viscosity says.",
        ),
        cautions,
    )  # fmt: skip


_CALCULATORS = (
    Calculator(
        "orifice", "Flow of oil through a sharp hole.",
        (Input("diameter", "length", "Of the hole.", above=0), DROP, DENSITY,
         Input("discharge", "fraction", "Discharge coefficient.", default="0.61", above=0, most=1),
         Input("viscosity", "viscosity", "To see whether the formula holds.", needed=False,
               above=0)),
        _orifice,
    ),
    Calculator(
        "land", "Leakage of oil along the land of a spool, new and worn.",
        (Input("diameter", "length", "Of the spool.", above=0),
         Input("clearance", "length", "Radial.", above=0),
         Input("worn-clearance", "length", "Radial, worn.", needed=False, above=0),
         Input("length", "length", "Of the land.", above=0), DROP,
         Input("viscosity", "viscosity", "Kinematic, at the oil's temperature.", needed=False,
               above=0),
         Input("dynamic-viscosity", "dynamic_viscosity", "Instead of --viscosity.", needed=False,
               above=0),
         DENSITY,
         Input("eccentricity", "fraction", "Of the spool in its bore.", default="0", least=0,
               most=1)),
        _land,
    ),
)  # fmt: skip
COMMANDS = {one.name: one.command() for one in _CALCULATORS}
