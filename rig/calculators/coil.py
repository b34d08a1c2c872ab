# SPDX-License-Identifier: MIT
"""`rig calc coil`, `pull-in`, `release` and `winding`."""

from __future__ import annotations

import math

from rig.calculators.frame import (
    ABSOLUTE_ZERO_DEGC,
    Calculation,
    Calculator,
    Given,
    Input,
    Refused,
    digits,
    si,
)
from rig.physics import coil

COPPER_LINEAR_DEGC = (-40.0, 180.0)
"""Temperature range in which the linear law of copper is good to about 1 % (see
rig.physics.coil)."""

VOLTAGE = Input("voltage", "voltage", "Across the coil.", above=0)
RESISTANCE = Input("resistance", "resistance", "Of the coil at 20 degC.", above=0)
INDUCTANCE = Input("inductance", "inductance", "Of the coil.", above=0)
WINDING = Input(
    "temperature",
    "temperature",
    "Of the winding, at work.",
    default="20 degC",
    least=-200,
    most=400,
)
CONSTANT_L = (
    "The inductance stays as it is; a moving armature and a core near saturation change it, so "
    "take the time as a guide."
)
RL = (
    "current of a coil with resistance and inductance at a constant voltage (textbooks on circuits)"
)
COPPER = (
    f"Copper: resistance changes by {100 * coil.COPPER_ALPHA_20:.3g} % of its value at 20 degC per "
    "K (IEC 60028)."
)


def copper_cautions(*temperatures_degc: float) -> tuple[str, ...]:
    """Cautions for temperatures outside the range in which copper's law is linear."""
    low, high = COPPER_LINEAR_DEGC
    return tuple(
        f"{t:g} degC is outside {low:g} to {high:g} degC, where copper follows this law to about "
        "1 %; insulation may not bear it either."
        for t in dict.fromkeys(temperatures_degc)
        if not low <= t <= high
    )


def _hot_ohm(given: Given) -> float:
    return coil.copper_resistance_ohm(given["resistance"], given["temperature"])


def _coil(given: Given) -> Calculation:
    volt, cold, degc = given["voltage"], given["resistance"], given["temperature"]
    hot = _hot_ohm(given)
    cold_a, hot_a = volt / cold, volt / hot
    cold_w, hot_w = coil.power_w(volt, cold), coil.power_w(volt, hot)
    return Calculation(
        f"It draws {si(cold_a, 'A')} ({si(cold_w, 'W')}) at 20 degC and {si(hot_a, 'A')} "
        f"({si(hot_w, 'W')}) at {digits(degc)} degC, where it has {si(hot, 'ohm')}.",
        {
            "current_20_a": cold_a, "power_20_w": cold_w, "current_hot_a": hot_a,
            "power_hot_w": hot_w, "resistance_hot_ohm": hot, "temperature_degc": degc,
        },
        "I = V / R, P = V^2 / R, R = R20 (1 + 0.00393 (T - 20))",
        "Ohm's law; temperature coefficient of copper, IEC 60028",
        ("The whole voltage is across the coil: take off what wire and relay lose.", COPPER),
        copper_cautions(degc),
    )  # fmt: skip


def _pull_in(given: Given) -> Calculation:
    volt, henry, needed = given["voltage"], given["inductance"], given["current"]
    hot = _hot_ohm(given)
    final, tau = volt / hot, coil.time_constant_s(hot, henry)
    time_s = coil.time_to_current_s(needed, volt, hot, henry)
    never = not math.isfinite(time_s)
    if not never:
        answer = f"{si(time_s, 's')} until the current reaches {si(needed, 'A')}"
    else:
        answer = f"Never: the current stays below {si(needed, 'A')}"
    return Calculation(
        f"{answer}; it ends at {si(final, 'A')}, with a time constant of {si(tau, 's')}.",
        {
            "pull_in_s": None if never else time_s, "final_current_a": final,
            "time_constant_s": tau, "resistance_ohm": hot,
        },
        "t = L/R ln(I / (I - Ip)), I = V/R",
        RL,
        (CONSTANT_L, "Relay and armature need their own time on top.", COPPER),
        copper_cautions(given["temperature"]),
    )  # fmt: skip


def _release(given: Given) -> Calculation:
    start, stop, henry = given["from"], given["to"], given["inductance"]
    hot, diode_v, zener_v = _hot_ohm(given), given["diode"], given.maybe("zener")
    if not stop < start:
        raise Refused(
            given.wrong("to", "the coil lets go at a current below the one it starts from",
                        "give --to below --from")
        )  # fmt: skip
    diode_s = coil.release_time_s(start, stop, hot, henry, diode_v)
    values: dict[str, float | None] = {
        "release_diode_s": diode_s, "release_zener_s": None,
        "energy_j": coil.stored_energy_j(start, henry), "resistance_ohm": hot,
    }  # fmt: skip
    answer = f"{si(diode_s, 's')} with a diode"
    if zener_v is not None:
        zener_s = coil.release_time_s(start, stop, hot, henry, diode_v + zener_v)
        values["release_zener_s"] = zener_s
        answer += f", {si(zener_s, 's')} with diode and zener"
    return Calculation(
        f"{answer}, until the current has fallen from {si(start, 'A')} to {si(stop, 'A')}.",
        values,
        "t = L/R ln((I0 + Vc/R) / (Ir + Vc/R)), Vc = diode, or diode + zener",
        RL,
        (
            CONSTANT_L,
            f"The clamp takes {si(coil.stored_energy_j(start, henry), 'J')} each time; the contact "
            "must bear supply plus clamp voltage.",
            COPPER,
        ),
        copper_cautions(given["temperature"]),
    )


def _winding(given: Given) -> Calculation:
    cold, hot, at = given["cold"], given["hot"], given["cold-temperature"]
    ambient = given.maybe("ambient")
    degc = coil.winding_temperature_degc(cold, hot, at)
    rise = None if ambient is None else coil.temperature_rise_k(cold, hot, at, ambient)
    above = "" if rise is None else f", {digits(rise)} K above the ambient"
    cautions = copper_cautions(degc)
    if hot < cold:
        cautions += ("The resistance fell: colder than before, or turns are shorted.",)
    return Calculation(
        f"{digits(degc)} degC{above}: the mean of the whole winding.",
        {"temperature_degc": degc, "rise_k": rise},
        "T2 = R2/R1 (235 + T1) - 235; rise = T2 - ambient",
        "resistance method, IEC 60034-1 (from memory)",
        (
            "Copper. US practice writes 234.5 for 235, which makes 0.2 K in 100 K.",
            "The leads of the meter are subtracted; the hottest spot is hotter than the mean.",
        ),
        cautions,
    )


_CALCULATORS = (
    Calculator(
        "coil", "Current and heat of a coil, cold and hot.",
        (VOLTAGE, RESISTANCE,
         Input("temperature", "temperature", "Of the winding when hot.", default="100 degC",
               least=-200, most=400)),
        _coil,
    ),
    Calculator(
        "pull-in", "Time from the voltage on the coil to the current that pulls it in.",
        (VOLTAGE, RESISTANCE, INDUCTANCE,
         Input("current", "current", "At which the armature begins to move.", above=0), WINDING),
        _pull_in,
    ),
    Calculator(
        "release", "Time from the contact's opening to the current at which a coil lets go.",
        (RESISTANCE, INDUCTANCE,
         Input("from", "current", "In the coil when the contact opens.", above=0),
         Input("to", "current", "At which the armature is let go.", least=0),
         Input("diode", "voltage", "Of the diode across the coil.", default="0.7 V", above=0),
         Input("zener", "voltage", "Of the zener in series with the diode.", needed=False, above=0),
         WINDING),
        _release,
    ),
    Calculator(
        "winding", "Temperature of a winding from its resistance, cold and hot.",
        (Input("cold", "resistance", "Cold.", above=0), Input("hot", "resistance", "Hot.", above=0),
         Input("cold-temperature", "temperature", "At which the cold one was measured.",
               default="20 degC", least=-200, most=400),
         Input("ambient", "temperature", "To say the rise above it.", needed=False,
               least=ABSOLUTE_ZERO_DEGC)),
        _winding,
    ),
)  # fmt: skip
COMMANDS = {one.name: one.command() for one in _CALCULATORS}
