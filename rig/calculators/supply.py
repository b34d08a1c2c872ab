# SPDX-License-Identifier: MIT
"""`rig calc wire` and `rig calc fuse`."""

from __future__ import annotations

import math
import re

from rig.calculators.coil import COPPER, copper_cautions
from rig.calculators.frame import Calculation, Calculator, Given, Input, Refused, digits, si
from rig.core.quantities import QuantityError
from rig.physics import fuse, wire

GAUGES = (-3, 40)
_GAUGE = re.compile(r"(?:awg)?\s*([0-9]{1,2}|0{2,4}|[1-4]/0)\s*(?:awg)?", re.IGNORECASE)


def gauge(text: str) -> float:
    """Parse an American Wire Gauge as usually written; 2/0 or 00 is -1. Raises QuantityError."""
    match = _GAUGE.fullmatch(text.strip())
    how = 'write it like "18", "AWG 18" or "2/0", from 4/0 to 40'
    if match is None:
        raise QuantityError(f'"{text}" is not an American Wire Gauge', how)
    name = match.group(1)
    if name.endswith("/0"):
        number = 1 - int(name[0])
    elif len(name) > 1 and not name.strip("0"):
        number = 1 - len(name)
    else:
        number = int(name)
    if not GAUGES[0] <= number <= GAUGES[1]:
        raise QuantityError(f'"{text}" is not from 4/0 to 40', how)
    return number


def _gauge_name(number: int) -> str:
    return f"AWG {number}" if number >= 0 else f"AWG {1 - number}/0"


def _wire(given: Given) -> Calculation:
    number, area = given.maybe("gauge"), given.maybe("area")
    if (number is None) == (area is None):
        what = "is needed, or --area" if number is None else "and --area together"
        raise Refused(given.wrong("gauge", what, 'give one of them, like --gauge "18"'))
    current, degc, ways = given["current"], given["temperature"], given["ways"]
    if ways not in (1.0, 2.0):
        raise Refused(given.wrong("ways", "is 2 (out and back) or 1", "give 1 or 2"))
    supply = given.maybe("supply")
    length_m = given["length"] / 1000 * ways
    area_mm2 = wire.awg_area_mm2(int(number)) if number is not None else given["area"]
    ohm = wire.resistance_of_area_ohm(area_mm2, length_m, degc)
    drop = current * ohm
    share = None if supply is None else drop / supply
    cautions = copper_cautions(degc)
    if share is not None and share > 1:
        raise Refused(given.wrong("current", "this wire cannot carry it from that supply",
                                  "look for a misplaced unit"))  # fmt: skip
    name = _gauge_name(int(number)) if number is not None else f"{digits(area_mm2)} mm^2"
    of_supply = "" if share is None else f", {digits(100 * share)} % of the supply"
    return Calculation(
        f"{si(drop, 'V')} lost{of_supply}: {si(current, 'A')} through {digits(length_m)} m of "
        f"{name}, which has {si(ohm, 'ohm')}.",
        {
            "drop_v": drop, "drop_share": share, "resistance_ohm": ohm, "area_mm2": area_mm2,
            "wire_length_m": length_m, "heat_w": drop * current,
        },
        "V = I rho l / A; of a gauge n: d = 0.127 mm * 92^((36 - n)/39)",
        "gauges ASTM B258; annealed copper 1/58 ohm mm^2/m at 20 degC, IEC 60028 (from memory)",
        (
            "Out and back: twice the length." if ways == 2 else "One way only.",
            "Solid copper; stranded wire has about 2 % more resistance, and joints add to it.",
            "It does not say how much current the wire may carry.",
            COPPER,
        ),
        cautions,
    )  # fmt: skip


def _fuse(given: Given) -> Calculation:
    current, rating = given["current"], given["rating"]
    share = fuse.loading(current, rating)
    margin = fuse.loading_margin_a(current, rating)
    band = fuse.blade_opening_time(current, rating)
    most = rating * fuse.CONTINUOUS_LOADING_MAX
    head = f"{si(current, 'A')} is {digits(100 * share)} % of {si(rating, 'A')}"
    if fuse.may_carry(current, rating):
        answer = f"{head}: may be carried for long, with {si(margin, 'A')} to spare to 75 %."
    elif share <= fuse.blade_table()[0][0]:
        answer = (
            f"{head}: {si(-margin, 'A')} more than the 75 % ({si(most, 'A')}) that a fuse should "
            "carry for long, and it need not open."
        )
    elif math.isinf(band.longest_s):
        answer = f"{head}: too much to carry; it opens after {seconds(band.shortest_s)} or never."
    elif band.shortest_s == 0:
        answer = f"{head}: it opens at once, or within {seconds(band.longest_s)}."
    else:
        answer = f"{head}: it opens after {seconds(band.shortest_s)} to {seconds(band.longest_s)}."
    opens = math.isfinite(band.longest_s)
    table = [
        {"current_a": multiple * rating, "shortest_s": one.shortest_s,
         "longest_s": one.longest_s if math.isfinite(one.longest_s) else None}
        for multiple, one in fuse.blade_table()
    ]  # fmt: skip
    return Calculation(
        answer,
        {
            "loading": share, "may_carry": fuse.may_carry(current, rating), "margin_a": margin,
            "opens_shortest_s": band.shortest_s if share > 1.1 else None,
            "opens_longest_s": band.longest_s if share > 1.1 and opens else None, "table": table,
        },
        "opening time between the bands of the listed multiples of the rating: "
        + "; ".join(_row(multiple, one) for multiple, one in fuse.blade_table()),
        "ISO 8820-3 types C and F: 160 and 200 % as data sheets quote it, the rest from memory; "
        "75 % is common practice, no source",
        (
            "A small or medium blade fuse at 25 degC; other kinds, ratings and editions differ, "
            "and a hot fuse box carries less. The maker's data sheet decides.",
        ),
    )  # fmt: skip


def _row(multiple: float, band: fuse.OpeningTime) -> str:
    percent = f"{100 * multiple:.0f} %"
    if math.isinf(band.longest_s):
        return f"{percent} {seconds(band.shortest_s)} or more"
    if band.shortest_s == 0:
        return f"{percent} at most {seconds(band.longest_s)}"
    return f"{percent} {seconds(band.shortest_s)} to {seconds(band.longest_s)}"


def seconds(time_s: float) -> str:
    """A time in words: in hours from one hour on."""
    if time_s >= 3600:
        return f"{digits(time_s / 3600)} h"
    return f"{digits(time_s)} s" if time_s >= 1 else si(time_s, "s")


_CALCULATORS = (
    Calculator(
        "wire", "Voltage lost in a copper wire.",
        (Input("gauge", "gauge", 'American Wire Gauge, like "18"; or give --area.', needed=False,
               read=gauge),
         Input("area", "area", "Cross-section; or give --gauge.", needed=False, above=0),
         Input("length", "length", "Of the cable, one way.", above=0),
         Input("current", "current", "Through it.", above=0),
         Input("ways", "fraction", "2: out and back. 1: the other way is the body.", default="2",
              least=1, most=2),
         Input("supply", "voltage", "To say the share of it.", needed=False, above=0),
         Input("temperature", "temperature", "Of the wire.", default="20 degC", least=-200,
               most=400)),
        _wire,
    ),
    Calculator(
        "fuse", "What a blade fuse may carry for long, and when it opens.",
        (Input("current", "current", "Through the fuse.", above=0),
         Input("rating", "current", "Of the fuse.", above=0)),
        _fuse,
    ),
)  # fmt: skip
COMMANDS = {one.name: one.command() for one in _CALCULATORS}
