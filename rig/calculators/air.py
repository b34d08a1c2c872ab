# SPDX-License-Identifier: MIT
"""`rig calc air` and `leak`: air flow, and leak rate by pressure decay."""

from __future__ import annotations

import math

from rig.calculators.frame import Calculation, Calculator, Given, Input, Refused, digits, si
from rig.physics import air
from rig.physics.oil import ZERO_DEGC_K

ATMOSPHERE = Input(
    "atmosphere", "pressure", "Absolute pressure of the open air.", default="101.325 kPa", least=30,
    most=120,
)  # fmt: skip
COLDEST, HOTTEST = -60.0, 200.0
SMALL_DRIFT_K = 0.1


def _absolute_pa(given: Given, name: str) -> float:
    return (given[name] + given["atmosphere"]) * 1000


def _not_below_vacuum(given: Given, *names: str) -> None:
    wrong = [
        given.wrong(name, "below a vacuum: gauge pressure is above minus the atmosphere's",
                    "give gauge pressure, zero at the open air")
        for name in names if not given[name] + given["atmosphere"] > 0
    ]  # fmt: skip
    if wrong:
        raise Refused(*wrong)


def _air(given: Given) -> Calculation:
    _not_below_vacuum(given, "upstream", "downstream")
    up, down = _absolute_pa(given, "upstream"), _absolute_pa(given, "downstream")
    if not down < up:
        raise Refused(given.wrong("downstream", "air flows from the higher pressure to the lower",
                                  "give the higher one as --upstream"))  # fmt: skip
    area = math.pi / 4 * (given["diameter"] / 1000) ** 2
    kelvin, critical = given["temperature"] + ZERO_DEGC_K, air.critical_ratio()
    conductance = air.sonic_conductance_m3_s_pa(given["discharge"], area)
    kg_s = air.iso6358_kg_s(conductance, critical, up, down, kelvin)
    choked = down / up <= critical
    l_min = air.anr_m3_s(kg_s) * 6e4
    return Calculation(
        f"{digits(l_min)} l/min of free air (20 degC, 100 kPa), {digits(kg_s * 1000)} g/s; the "
        f"flow is {'choked' if choked else 'not choked'}.",
        {
            "free_air_l_min": l_min, "mass_g_s": kg_s * 1000, "choked": choked,
            "pressure_ratio": down / up, "sonic_conductance_m3_s_pa": conductance,
        },
        "q = C p1 rho0 sqrt(T0/T1), times sqrt(1 - ((p2/p1 - b)/(1 - b))^2) above b = 0.528",
        "ISO 6358-1 (formula from memory), C of a hole from choked nozzle flow",
        (
            f"Gauge pressures over {digits(given['atmosphere'])} kPa; dry air at "
            f"{digits(given['temperature'])} degC; discharge coefficient "
            f"{digits(given['discharge'])}.",
            "b as of an ideal nozzle; fittings and valves have less, their data sheet says how "
            "much.",
        ),
    )  # fmt: skip


def _leak(given: Given) -> Calculation:
    _not_below_vacuum(given, "start", "end")
    first_degc, last_degc = given["start-temperature"], given.maybe("end-temperature")
    first_k = first_degc + ZERO_DEGC_K
    last_k = None if last_degc is None else last_degc + ZERO_DEGC_K
    reference_k = given["reference"] + ZERO_DEGC_K
    volume, time_s = given["volume"] * 1e-6, given["time"]
    start, end = _absolute_pa(given, "start"), _absolute_pa(given, "end")
    leak = air.pressure_decay_leak_pa_m3_s(volume, start, end, time_s, first_k, last_k)
    flow = air.leak_volume_flow_m3_s(leak, first_k, reference_k) * 6e7
    feigned = air.leak_volume_flow_m3_s(
        volume * air.thermal_drift_pa(start, SMALL_DRIFT_K, first_k) / time_s, first_k, reference_k
    ) * 6e7  # fmt: skip
    cautions: tuple[str, ...] = ()
    if leak < 0:
        answer = (
            f"No leak: with the temperature taken out the pressure rose, by as much as "
            f"{digits(-flow)} cm^3/min would bring in"
        )
        cautions = ("Look at the temperatures, and for a supply that was not shut off.",)
    else:
        answer = f"{digits(flow)} cm^3/min leak"
    if abs(flow) < feigned:
        cautions += (
            f"{SMALL_DRIFT_K} K of warming or cooling would feign {digits(feigned)} cm^3/min, more "
            "than this: wait until the air has settled, or measure for longer.",
        )
    corrected = "not corrected for temperature" if last_k is None else (
        f"corrected for {digits(first_degc)} to {digits(given['end-temperature'])} degC"
    )  # fmt: skip
    return Calculation(
        f"{answer} (air at {digits(given['reference'])} degC and 101.325 kPa; "
        f"{si(leak, 'Pa*m^3/s')}; {corrected}).",
        {
            "leak_pa_m3_s": leak, "leak_cm3_min": flow, "reference_degc": given["reference"],
            "reference_kpa": air.STANDARD_ATMOSPHERE_PA / 1000,
            "feigned_by_0_1_k_cm3_min": feigned,
        },
        "q = V (p1 - p2 T1/T2) / t",
        "ideal gas; the principle of pressure decay, EN 1779 (from memory)",
        (
            f"Gauge pressures over {digits(given['atmosphere'])} kPa, which did not change; a "
            "rigid volume, fittings included.",
            "A leak rate says nothing without its reference: makers use 0, 15, 20 and 25 degC.",
        ),
        cautions,
    )  # fmt: skip


_CALCULATORS = (
    Calculator(
        "air", "Flow of air through a hole.",
        (Input("diameter", "length", "Of the hole.", above=0),
         Input("upstream", "pressure", "Before it, gauge."),
         Input("downstream", "pressure", "Behind it, gauge.", default="0 kPa"),
         Input("temperature", "temperature", "Of the air before it.", default="20 degC",
               least=COLDEST, most=HOTTEST),
         Input("discharge", "fraction", "Discharge coefficient.", default="0.61", above=0, most=1),
         ATMOSPHERE),
        _air,
    ),
    Calculator(
        "leak", "Leak rate of a closed volume of air from its pressure decay.",
        (Input("volume", "volume", "Closed off, hoses included.", above=0),
         Input("start", "pressure", "At the start, gauge."),
         Input("end", "pressure", "At the end, gauge."),
         Input("time", "time", "Between the two.", above=0),
         Input("start-temperature", "temperature", "Of the air at the start.", default="20 degC",
               least=COLDEST, most=HOTTEST),
         Input("end-temperature", "temperature", "Of the air at the end.", needed=False,
               least=COLDEST, most=HOTTEST),
         Input("reference", "temperature", "That the leak is stated at.", default="20 degC",
               least=COLDEST, most=HOTTEST),
         ATMOSPHERE),
        _leak,
        more="Let the pressure off before a fitting is opened: compressed air throws parts.",
    ),
)  # fmt: skip
COMMANDS = {one.name: one.command() for one in _CALCULATORS}
