# SPDX-License-Identifier: MIT
"""`rig calc protect`, `contact` and `clamp`: sizes of fuse, wire, relay and clamp."""

from __future__ import annotations

import math

from rig.calculators.coil import CONSTANT_L, RESISTANCE, VOLTAGE
from rig.calculators.frame import Calculation, Calculator, Given, Input, Refused, digits, si
from rig.calculators.supply import gauge
from rig.physics import coil, fuse, wire

HALF = 0.5
"""Common practice, no source: continuous dissipation of at most half of a part's rating."""
SHORT_ROOM_K = 90.0
"""How far above its continuous temperature insulation may go in a short circuit: 70 to 160 degC for
PVC (IEC 60364-4-43); the same margin is used for other insulation, which mostly has more."""


def _protect(given: Given) -> Calculation:
    number, area = given.maybe("gauge"), given.maybe("area")
    if (number is None) == (area is None):
        what = "is needed, or --area" if number is None else "and --area together"
        raise Refused(given.wrong("gauge", what, 'give one of them, like --gauge "18"'))
    area_mm2 = wire.awg_area_mm2(int(number)) if number is not None else given["area"]
    current, rating, supply = given["current"], given["rating"], given["supply"]
    insulation, around = given["insulation"], given["surroundings"]
    circuits = given["circuits"]
    if circuits != int(circuits):
        raise Refused(given.wrong("circuits", "is a whole number", 'give it like "4"'))
    try:
        carries = wire.ampacity_a(area_mm2, around, insulation, int(circuits))
    except ValueError as error:
        which = "gauge" if number is not None else "area"
        raise Refused(
            given.wrong(which, f"is no wire of a rig: {error}", "give the wire's own size")
        ) from error
    length_m = given["length"] / 1000 * 2
    ohm = wire.resistance_of_area_ohm(area_mm2, length_m, insulation)
    drop = current * ohm
    withstands = wire.withstand_a2s(area_mm2, insulation, insulation + SHORT_ROOM_K)
    fault = supply / ohm
    opens = fuse.blade_opening_time(fault, rating)
    through = _let_through(rating, fault)
    loaded = fuse.may_carry(current, rating)
    wire_held = rating <= carries
    short_held = through <= withstands and opens.longest_s <= wire.ADIABATIC_S
    wrong = [
        text
        for held, text in (
            (loaded, f"{si(current, 'A')} is more than 75 % of the fuse"),
            (wire_held, f"the fuse is larger than the {si(carries, 'A')} that the wire carries"),
            (short_held, "a short at the far end does not open it before the wire is too hot"),
        )
        if not held
    ]
    head = (
        f"A fuse of {si(rating, 'A')} fits {digits(area_mm2)} mm^2"
        if not wrong
        else f"A fuse of {si(rating, 'A')} does not fit {digits(area_mm2)} mm^2: "
        + "; ".join(wrong)
    )
    return Calculation(
        f"{head}. The wire carries {si(carries, 'A')} for good and loses {si(drop, 'V')} "
        f"({digits(100 * drop / supply)} % of the supply); a short at its far end draws at most "
        f"{si(fault, 'A')}.",
        {
            "fits": not wrong, "ampacity_a": carries, "load_share": fuse.loading(current, rating),
            "drop_v": drop, "drop_share": drop / supply, "short_circuit_a": fault,
            "opens_longest_s": opens.longest_s if math.isfinite(opens.longest_s) else None,
            "fuse_a2s": through, "wire_a2s": withstands, "area_mm2": area_mm2,
        },
        "load <= 75 % of the fuse <= ampacity; I = I30 sqrt((Ti - Ta)/40 R70/RTi) times the factor "
        "of the bundle; I^2 t of the fuse <= (k S)^2, k = 226 sqrt(ln(1 + (Te - Ti)/(234.5 + Ti)))",
        "ampacity DIN VDE 0298-4 table 11, as makers quote it; bundle IEC 60364-5-52 (from "
        "memory); fuse <= ampacity and k IEC 60364-4-43 and -5-54; opening times as rig calc fuse; "
        "75 % is common practice, no source",
        (
            f"{_bundle(int(circuits))}, {digits(around)} degC around "
            f"it, insulation for {digits(insulation)} degC.",
            "Drop and short circuit with the wire hot and nothing else in the way: supply, joints "
            "and solenoid draw less. The fuse sits at the supply's end.",
            "Bands of the fuse are for orientation: the data sheets of fuse and wire decide, and "
            "local codes where they apply.",
        ),
        () if around < insulation else ("The surroundings are hotter than the insulation bears.",),
    )  # fmt: skip


def _bundle(circuits: int) -> str:
    return (
        "One wire alone" if circuits == 1 else f"One wire among {circuits} loaded ones in a bundle"
    )


def _let_through(rating_a: float, fault_a: float) -> float:
    """Largest I^2 t of the listed opening times up to 5 s and of the short at the far end, A^2 s:
    each with its longest time. A short nearer the fuse draws more current and opens it sooner."""
    currents = [multiple * rating_a for multiple, _ in fuse.blade_table()] + [fault_a]
    found = [(amp, fuse.blade_opening_time(amp, rating_a).longest_s) for amp in currents]
    return max(amp * amp * long_s for amp, long_s in found if long_s <= wire.ADIABATIC_S)


def _contact(given: Given) -> Calculation:
    supply, zener, diode = given["supply"], given["zener"], given["diode"]
    most, rating = zener * (1 + given["tolerance"]), given["rating-voltage"]
    current, can = given["current"], given["rating-current"]
    sees = supply + most + diode
    held = sees <= rating and current <= can
    share = sees / rating
    words = "fits" if held else "does not fit"
    return Calculation(
        f"The contact {words}: at release it sees {si(sees, 'V')} of its {si(rating, 'V')} "
        f"({digits(100 * share)} %), and breaks {si(current, 'A')} of {si(can, 'A')}.",
        {
            "fits": held,
            "contact_v": sees,
            "margin_v": rating - sees,
            "current_share": current / can,
        },
        "V = supply + zener (1 + tolerance) + diode",
        "Kirchhoff's voltage law around contact, supply and clamp",
        (
            "Both ratings are those for direct current: the figure for alternating current is far "
            "higher and does not hold.",
            "The slope of the zener adds a few volts at some amperes; keep a tenth in hand.",
            "Without a clamp the contact would see hundreds of volts, whatever its rating.",
        ),
        (("Less than a tenth of the voltage is in hand.",) if held and share > 0.9 else ()),
    )


def _clamp(given: Given) -> Calculation:
    volt, henry, zener, diode = (
        given["voltage"], given["inductance"], given["zener"], given["diode"],
    )  # fmt: skip
    rate, rating = given["rate"], given["rating"]
    ohm = coil.copper_resistance_ohm(given["resistance"], given["temperature"])
    start = volt / ohm
    both = coil.clamp_energy_j(start, ohm, henry, zener + diode)
    stroke = both * zener / (zener + diode)
    mean, peak = stroke * rate, zener * start
    held = mean <= HALF * rating
    most = HALF * rating / stroke
    return Calculation(
        f"The zener gives off {si(mean, 'W')} on average, {digits(100 * mean / rating)} % of its "
        f"{si(rating, 'W')}: {'fits' if held else 'too much (half is allowed)'}. "
        f"Each release leaves {si(stroke, 'J')} in it, with a peak of {si(peak, 'W')}; half its "
        f"rating is reached at {digits(most)} strokes a second.",
        {
            "fits": held, "mean_w": mean, "peak_w": peak, "zener_j": stroke,
            "diode_j": both - stroke,
            "coil_j": coil.stored_energy_j(start, henry) - both, "start_a": start,
            "most_hz": most,
        },
        "E = Vz L/R (I0 - Vc/R ln(1 + I0 R/Vc)), Vc = zener + diode; P = E times the rate",
        "integral of the current of an RL circuit into a constant voltage (textbooks on circuits); "
        "half the rating is common practice, no source",
        (
            CONSTANT_L,
            "The current is at its end value at each release, which is the worst case; the coil's "
            "resistance takes the rest of the energy.",
            "The peak must lie within the zener's own curve of power over time; leads short, since "
            "they are its cooling.",
        ),
    )  # fmt: skip


_CALCULATORS = (
    Calculator(
        "protect", "Whether a fuse protects a wire, and both carry the load.",
        (Input("current", "current", "The load's, for long.", above=0),
         Input("rating", "current", "Of the fuse.", above=0),
         Input("gauge", "gauge", 'American Wire Gauge, like "18"; or give --area.', needed=False,
               read=gauge),
         Input("area", "area", "Cross-section; or give --gauge.", needed=False, above=0),
         Input("length", "length", "Of the cable, one way; out and back are counted.", above=0),
         Input("supply", "voltage", "That the fuse is fed from.", default="14.4 V", above=0),
         Input("insulation", "temperature", "That the insulation bears for good.",
               default="70 degC", least=40, most=250),
         Input("surroundings", "temperature", "Of the air around the wire.", default="30 degC",
               least=-40, most=250),
         Input("circuits", "fraction", "Loaded circuits in its bundle.", default="1", least=1,
               most=20)),
        _protect,
    ),
    Calculator(
        "contact", "Whether a relay's contact bears the supply and the clamp.",
        (Input("supply", "voltage", "Largest.", above=0),
         Input("zener", "voltage", "Of the zener in the clamp.", above=0),
         Input("tolerance", "fraction", "Of the zener.", default="5 %", least=0, most=0.5),
         Input("diode", "voltage", "Of the diode in series.", default="0.8 V", above=0),
         Input("current", "current", "That is broken.", above=0),
         Input("rating-voltage", "voltage", "Of the contact, for direct current.", above=0),
         Input("rating-current", "current", "Of the contact, for direct current.", above=0)),
        _contact,
    ),
    Calculator(
        "clamp", "What a clamp of diode and zener gives off at a rate of strokes.",
        (VOLTAGE, RESISTANCE,
         Input("inductance", "inductance", "Of the coil.", above=0),
         Input("zener", "voltage", "Of the zener.", above=0),
         Input("diode", "voltage", "Of the diode in series.", default="0.7 V", above=0),
         Input("rate", "frequency", "Strokes a second.", above=0),
         Input("rating", "power", "Of the zener.", above=0),
         Input("temperature", "temperature", "Of the winding; the cold one draws most.",
               default="20 degC", least=-200, most=400)),
        _clamp,
    ),
)  # fmt: skip
COMMANDS = {one.name: one.command() for one in _CALCULATORS}
