# SPDX-License-Identifier: MIT
"""What the pages claim of each circuit: the limit, the cases, and what the simulation shows.

A claim is simulated in every case (ends of tolerances, supply and temperature); the worst stands in
the table of README.md. Limits of the board's pins (0.8 V read as low, 2.0 V as high, 5 uA drawn)
are from memory of the board's documentation; pulse shapes of ISO 7637-2 and ISO 16750-2 likewise
from memory of the standards.
"""

from __future__ import annotations

import itertools
import math
import random
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1])]

from simulate import Parameter, simulate  # noqa: E402

from rig.wiring.parts import markdown, spice  # noqa: E402

README, SENSORS = HERE.parent / "README.md", HERE.parent / "sensors.md"
SENSOR_GROUPS = ("engine speed", "converter", "current loop")
"""Circuits of sensors.md; all others stand in README.md."""
BEGIN, END = "<!-- simulated: made by circuits/simulate.py --write -->", "<!-- end simulated -->"
PARTS_BEGIN, PARTS_END = "<!-- parts: made from parts.toml -->", "<!-- end parts -->"
Case = dict[str, Parameter]
Measured = dict[str, float]

DRAWS = 60
"""Draws of the heartbeat pump's tolerances that stand in the table."""


class Claim(NamedTuple):
    """`limit` is what is allowed, in `unit`; `figure` is a measurement or is made of them."""

    group: str
    text: str
    circuit: str
    figure: str | Callable[[Measured], float]
    at_least: bool
    limit: float
    unit: str
    cases: tuple[Case, ...] = ({},)

    def of(self, measured: Measured) -> float:
        """The figure in `unit`; NaN where the circuit never came to it."""
        if callable(self.figure):
            value = self.figure(measured)
        else:
            value = measured.get(self.figure, math.nan)
        return value * _SCALE[self.unit]

    def worst(self, figures: list[float]) -> float:
        """The figure nearest to the limit or furthest over it; NaN where there is one."""
        if any(math.isnan(figure) for figure in figures):
            return math.nan
        return min(figures) if self.at_least else max(figures)

    def holds(self, figure: float) -> bool:
        """False for NaN."""
        return figure >= self.limit if self.at_least else figure <= self.limit


_SCALE = {
    "V": 1.0, "A": 1.0, "W": 1.0, "ohm": 1.0, "mA": 1e3, "mJ": 1e3, "ms": 1e3, "us": 1e6, "s": 1.0,
    "dB": 1.0, "LSB": 1.0, "times": 1.0, "%": 100.0,
}  # fmt: skip
OUT_1G, IN = "1G", "1m"

# a pin reads high from 0.8 V at the earliest and from 2.0 V at the latest
SUPPLY_SPREAD = tuple(
    {"vsupply": v, "rcoil": r, "ctr": ctr, "threshold": pin}
    for v, r, ctr, pin in itertools.product((11, 14.4, 16), (12.8, 14.5), (0.5, 3), (0.8, 2.0))
)
GROUND_SPREAD = tuple(
    {"vsupply": v, "ctr": ctr, "threshold": pin, "zener_v": zener}
    for v, ctr, pin, zener in itertools.product(
        (11, 12, 14.4, 16), (0.5, 3), (0.8, 2.0), (7.79, 8.61)
    )
)
FED = tuple(
    {"fed": fed, "powered": powered}
    for fed, powered in itertools.product((12, 14.4, 16, -16), (IN, OUT_1G))
)
THREE = {"R12": 450, "powered": OUT_1G}
"""One of three equal inputs on an unpowered board: its share of R12 is three times R12."""
PULSES: tuple[Case, ...] = (
    {"fed": 13.5, "rfed": 10, "pulse": -163.5, "rise": "1u", "tlast": "2m"},  # pulse 1, to -150 V
    {"fed": 13.5, "rfed": 2, "pulse": 112, "rise": "1u", "tlast": "50u"},  # pulse 2a
    {
        "fed": 13.5,
        "rfed": 50,
        "pulse": -233.5,
        "rise": "5n",
        "tlast": "150n",
    },  # pulse 3a, to -220 V
    {"fed": 13.5, "rfed": 50, "pulse": 136.5, "rise": "5n", "tlast": "100n"},  # pulse 3b, to 150 V
)
LOOP = {"rseries": "{R9}", "cpin": "{C4}", "rpull": "{R10}"}
CLOSED_LOOP = {"rseries": "{R9}", "rpull": "{R10}"}
OWN_PULL = ("33k", "73k")
"""A pin's own pull-up, least and most (the board's documentation, from memory)."""


def _with(cases: tuple[Case, ...], extra: Case) -> tuple[Case, ...]:
    return tuple({**case, **extra} for case in cases)


def heartbeat_draws(number: int) -> tuple[Case, ...]:
    """Tolerances of the pump: capacitors 20 %, resistors 5 %, pin 3.0 to 3.4 V, -10 to 60 degC,
    leakage of the diodes up to 20 uA at 60 degC and a half for each 10 K below, changes 20 to 24 ms
    apart, threshold of Q2 from 0.4 to 1.0 V, the line left low or high. Same draws each time."""
    draw = random.Random(1)  # noqa: S311
    out: list[Case] = []
    for _ in range(number):
        degc = draw.uniform(-10, 60)
        out.append(
            {
                "high": draw.uniform(3.0, 3.4), "half": draw.uniform(20e-3, 24e-3), "degc": degc,
                "leak": 20e-6 * draw.uniform(0.05, 1) * 2 ** ((degc - 60) / 10),
                "is": 10 ** draw.uniform(-7.5, -6), "vth": draw.uniform(0.4, 1.0),
                "rests": draw.choice((0, 1)), "stops": 1.5 + draw.uniform(0, 0.05),
                **{name: draw.uniform(0.95, 1.05) for name in ("mr7", "mr8", "mr11")},
                **{name: draw.uniform(0.8, 1.2) for name in ("mc2", "mc3")},
            }
        )  # fmt: skip
    return tuple(out)


PUMP = heartbeat_draws(DRAWS)
FAST: tuple[Case, ...] = (
    {"half": 0.5e-3, "step": 0.1e-3, "stops": 1.0, "tail": 0.01},
    {"half": 50e-6, "step": 25e-6, "stops": 0.3, "tail": 0.01, "window": 0.05},
)  # fmt: skip
LSB_V = 3.0 / 4096
R5_SPREAD = tuple({"shift": s, "leak": k} for s, k in itertools.product((0, 0.25), (-5e-6, 5e-6)))

CLAIMS = (
    Claim("relay driver", "gate of Q1, pin floating or pulled up with 50 k, 5 uA of leakage: "
          "below its threshold", "relay_driver", "gate_v", False, 0.8, "V",
          ({"rpin": "1e12", "leak": "5u"}, {"rpin": "50k", "leak": "5u", "vpin": 3.4})),
    Claim("relay driver", "drain of Q1 while on, pin at 3.0 V, relay of 70 or 400 ohm",
          "relay_driver", "on_drain_v", False, 0.1, "V",
          ({"vpin": 3.0}, {"vpin": 3.0, "k1r": 70, "vsupply": 5})),
    Claim("relay driver", "drain of Q1, released at 40 V (load dump), Z2 5 % high: below its 60 V",
          "relay_driver", "peak_v", False, 60, "V", ({"vsupply": 40, "Z2": 12.6},)),
    Claim("relay driver", "current of the relay's coil down to a tenth after release",
          "relay_driver", "release_s", False, 2, "ms",
          ({}, {"vsupply": 16}, {"vsupply": 5, "k1r": 70, "k1l": 0.1})),
    Claim("clamp", "contact of K1 at release, 16 V, cold coil of 12.8 ohm: below its 60 V",
          "coil_clamp", "contact_v", False, 60, "V", ({"vsupply": 16, "rcoil": 12.8},)),
    Claim("clamp", "peak power in Z1, the same coil", "coil_clamp", "peak_w", False, 50, "W",
          ({"vsupply": 16, "rcoil": 12.8},)),
    Claim("clamp", "energy in Z1 at each release, the same coil: 50 W for 2 ms", "coil_clamp",
          "stroke_j", False, 100, "mJ", ({"vsupply": 16, "rcoil": 12.8},)),
    Claim("clamp", "mean power in Z1 at ten strokes a second, the same coil: half of its 5 W",
          "coil_clamp", lambda m: 10 * m["stroke_j"], False, 2.5, "W",
          ({"vsupply": 16, "rcoil": 12.8},)),
    Claim("clamp", "current of the solenoid down to a tenth", "coil_clamp", "decay_s", False, 2,
          "ms"),
    Claim("clamp", "the same with a plain diode: why there is a zener", "coil_clamp",
          "decay_s", True, 5, "ms", ({"right": OUT_1G, "plain": IN},)),
    Claim("clamp", "contact of K1 with the clamp the wrong way round: it clamps nothing",
          "coil_clamp", "contact_v", True, 100, "V", ({"right": OUT_1G, "reversed": IN},)),
    Claim("clamp", "commissioning check of the clamp (36 V through 10 k), right way round",
          "clamp_check", "meter_v", False, 27, "V", ({"Z1": 25.2},)),
    Claim("clamp", "the same, wrong way round", "clamp_check", "meter_v", True, 34, "V",
          ({"right": OUT_1G, "reversed": IN},)),
    Claim("clamp", "voltage that D7 takes from the coil while on, 11 to 16 V", "coil_clamp", "d7_v",
          False, 0.5, "V", tuple({"vsupply": v, "rcoil": 12.8} for v in (11, 16))),
    Claim("reversed supply", "current in solenoid and relay, contact closed", "reversed_supply",
          lambda m: max(m["coil_a"], m["relay_a"]), False, 5, "mA", ({}, {"vsupply": 16})),
    Claim("reversed supply", "current in the solenoid without D7 and D8: why they are there",
          "reversed_supply", "coil_a", True, 0.5, "A", ({"bypass": IN},)),
    Claim("read-back, supply side", "largest current in the coil that still reads dead, "
          "share of full current, 11 to 16 V, all tolerances",
          "readback_supply", "unseen_part", False, 25, "%", SUPPLY_SPREAD),
    Claim("read-back, supply side", "pin while on: reads live", "readback_supply", "pin_on_v", True,
          2.0, "V", SUPPLY_SPREAD),
    Claim("read-back, supply side", "dead edge late", "opto_edges", "fall_s", False, 200, "us",
          ({}, {"drive": 16, "ctr": 3}, {"drive": 11, "ctr": 0.5})),
    Claim("read-back, supply side", "live edge late", "opto_edges", "rise_s", False, 20, "us",
          ({}, {"drive": 16, "ctr": 3}, {"drive": 11, "ctr": 0.5})),
    Claim("read-back, supply side", "dead edge late with a second LED the other way round: "
          "why D3 is there instead",
          "coil_clamp", "dead_s", True, 1, "ms", ({"second_led": IN},)),
    Claim("read-back, ground side", "contact stuck at 2.5 or 10 ohm, pin: reads live",
          "readback_ground", lambda m: max(m["pin_2ohm5_v"], m["pin_10ohm_v"]), False, 0.8, "V"),
    Claim("read-back, ground side", "resistance up to which a leaking contact reads live, 14.4 V",
          "readback_ground", "limit_ohm", True, 20, "ohm"),
    Claim("read-back, ground side", "largest current in the coil that still reads dead, 14.4 V, "
          "14.5 ohm",
          "readback_ground", "unseen_a", False, 0.4, "A"),
    Claim("read-back, ground side", "the same, share of full current, 11 to 16 V, all tolerances",
          "readback_ground", "unseen_part", False, 50, "%", GROUND_SPREAD),
    Claim("read-back, ground side", "pin while off, from 11 V on: reads dead", "readback_ground",
          "pin_off_v", True, 2.0, "V", GROUND_SPREAD),
    Claim("read-back, ground side", "current through the solenoid while off", "readback_ground",
          "off_a", False, 8, "mA", GROUND_SPREAD),
    Claim("read-back, ground side", "pin at a contact stuck at 10 ohm without Z3: reads dead, "
          "why Z3 is there",
          "readback_ground", "pin_10ohm_v", True, 2.0, "V", ({"series": 2200, "shorted": IN},)),
    Claim("switch input", "current of the closed switch", "closed_switch", "wetting_a", True, 2.5,
          "mA"),
    Claim("switch input", "pin at a closed switch, engine's ground 0.5 V up, 5 uA of leakage: "
          "reads closed",
          "closed_switch", "pin_v", False, 0.8, "V", ({"shift": 0.5, "leak": "5u"},)),
    Claim("switch input", "the same with the pin's own pull-up, no shift: why pull is external",
          "closed_switch", "pin_v", True, 0.8, "V", tuple({"own": own} for own in OWN_PULL)),
    Claim("switch input", "20 us shut, as the pin sees it, ground shift up to 0.25 V", "bounce",
          "shut_s", True, 1, "us", R5_SPREAD),
    Claim("switch input", "20 us open, as the pin sees it, ground shift up to 0.25 V", "bounce",
          "open_s", True, 1, "us", R5_SPREAD),
    Claim("switch input", "30 us shut, as the pin sees it, ground shift 0.5 V", "bounce", "shut_s",
          True, 1, "us", ({"shift": 0.5, "leak": 5e-6, "width": "30u"},)),
    Claim("switch input", "pin current, wire fed with 12 to 16 V or -16 V, board on or off",
          "switch_input", "pin_a", False, 0.5, "mA", FED),
    Claim("switch input", "current back into 3.3 V, the same", "switch_input", "back_a", False, 0.5,
          "mA", FED),
    Claim("switch input", "3.3 V of an unpowered board, three inputs fed with 16 V",
          "switch_input", "rail_v", False, 0.3, "V", ({**THREE, "fed": 16},)),
    Claim("switch input", "the same at 40 V for 0.4 s", "switch_input", "rail_v", False, 0.7, "V",
          ({**THREE, "fed": 40, "tlast": 0.4},)),
    Claim("switch input", "3.3 V of an unpowered board drawn below ground, inputs at -16 V",
          "switch_input", lambda m: -m["rail_low_v"], False, 0.5, "V", ({**THREE, "fed": -16},)),
    Claim("switch input", "pin current at 40 V for 0.4 s (load dump)", "switch_input", "pin_a",
          False, 1.5, "mA", ({"fed": 40, "tlast": 0.4}, {**THREE, "fed": 40, "tlast": 0.4})),
    Claim("switch input", "pin current in pulses 1, 2a, 3a, 3b", "switch_input", "pin_a", False, 3,
          "mA", (*PULSES, *_with(PULSES, {"powered": OUT_1G}))),
    Claim("switch input", "wire in the same pulses: below the 100 V of D4", "switch_input",
          "wire_v", False, 100, "V", PULSES),
    Claim("stop and cover", "pin at a closed loop, 5 uA of leakage: reads closed",
          "closed_switch", "pin_v", False, 0.8, "V", ({**CLOSED_LOOP, "leak": "5u"},)),
    Claim("stop and cover", "the same with the pin's own pull-up: why pull is external",
          "closed_switch", "pin_v", True, 0.8, "V",
          tuple({**CLOSED_LOOP, "own": own} for own in OWN_PULL)),
    Claim("stop and cover", "pin current, wire fed with 12 to 16 V or -16 V, board on or off",
          "switch_input", "pin_a", False, 0.5, "mA", _with(FED, LOOP)),
    Claim("stop and cover", "pin current at 40 V for 0.4 s and in the pulses", "switch_input",
          "pin_a", False, 3, "mA", _with((*PULSES, {"fed": 40, "tlast": 0.4}), LOOP)),
    Claim("heartbeat", f"gate of Q2 while it beats, {DRAWS} draws, lowest: fully on", "heartbeat",
          "lowest_v", True, 1.8, "V", PUMP),
    Claim("heartbeat", "the same, highest", "heartbeat", "highest_v", False, 3, "V", PUMP),
    Claim("heartbeat", "hold after the last change, shortest", "heartbeat", "hold_s", True, 0.1,
          "s", PUMP),
    Claim("heartbeat", "hold after the last change, longest", "heartbeat", "hold_s", False, 0.5,
          "s", PUMP),
    Claim("heartbeat", "gate of Q2 where the diodes leak 300 uA: does not hold, why they are "
          "chosen",
          "heartbeat", "lowest_v", False, 1.8, "V", ({"leak": "300u"},)),
    Claim("heartbeat", "gate of Q2 while toggled at 1 and 10 kHz: keeps the relay alive",
          "heartbeat", "lowest_v", True, 1.8, "V", FAST),
    Claim("engine speed", "either edge late, 5 to 12 V, coupler of 50 to 300 %", "opto_edges",
          lambda m: max(m["rise_s"], m["fall_s"]), False, 60, "us", tuple(
              {"rled": "{R27}", "rload": "{R28}", "rpin": "{R29}", "cpin": "{C23}",
               "drive": drive, "ctr": ctr}
              for drive, ctr in ((5, 1), (12, 0.5), (12, 1), (12, 3)))),
    Claim("engine speed", "the same with 10 k in place of R28: why it is smaller", "opto_edges",
          "fall_s", True, 60, "us",
          ({"rled": "{R27}", "rload": "10k", "rpin": "{R29}", "cpin": "{C23}"},)),
    Claim("converter", "pressure input at 800 Hz, against steady", "anti_alias",
          lambda m: 20 * math.log10(m["at800"] / m["dc"]), False, -14, "dB"),
    Claim("converter", "delay of the pressure input", "anti_alias",
          lambda m: -m["phase_rad"] / (2 * math.pi), False, 1.2, "ms"),
    Claim("converter", "what the converter's own capacitor takes: pressure, coil current",
          "converter_kick", lambda m: abs(m["seen_v"] - 2.9) / LSB_V, False, 1.5, "LSB",
          ({}, {"rsource": "{R23}", "cin": "{C21}"})),
    Claim("converter", "the same with 10 nF at the pressure input: why there is more",
          "converter_kick", lambda m: abs(m["seen_v"] - 2.9) / LSB_V, True, 4, "LSB",
          ({"cin": "10n"},)),
    Claim("converter", "supply voltage through 47 k over 10 k at 40 V (load dump) or -16 V: "
          "current into the input", "divided_input", "pin_a", False, 2, "mA",
          ({"vsupply": 40}, {"vsupply": -16})),
    Claim("current loop", "R24 with the loop shorted to 16 V, or to 28 V with R25: below its 4 W",
          "current_loop", "shunt_w", False, 4, "W",
          ({"vsupply": 16}, {"vsupply": 28, "extra": "{R25}"})),
    Claim("current loop", "R25 with the loop shorted to 28 V: below its 3 W", "current_loop",
          "extra_w", False, 3, "W", ({"vsupply": 28, "extra": "{R25}"},)),
    Claim("current loop", "input current of the converter in both", "current_loop", "pin_a", False,
          2, "mA", ({"vsupply": 16}, {"vsupply": 28, "extra": "{R25}"})),
)  # fmt: skip


@cache
def _run(circuit: str, case: tuple[tuple[str, Parameter], ...]) -> Measured:
    return simulate(circuit, **dict(case))


def figures(claim: Claim) -> list[float]:
    """The claim's figure in each of its cases."""
    return [claim.of(_run(claim.circuit, tuple(case.items()))) for case in claim.cases]


def results() -> Iterator[tuple[Claim, float]]:
    """Each claim with its worst figure; two simulations at a time."""
    runs = {(c.circuit, tuple(case.items())): None for c in CLAIMS for case in c.cases}
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(lambda key: _run(*key), runs))
    for claim in CLAIMS:
        yield claim, claim.worst(figures(claim))


def cells(claim: Claim, figure: float) -> list[str]:
    """The row of the table: circuit, claim, allowed, simulated, margin."""
    allowed = f"{'at least' if claim.at_least else 'at most'} {claim.limit:g} {claim.unit}"
    margin = figure - claim.limit if claim.at_least else claim.limit - figure
    return [claim.group, claim.text, allowed, f"{_round(figure, 3)} {claim.unit}",
            f"{_round(margin, 2)} {claim.unit}"]  # fmt: skip


def _round(figure: float, digits: int) -> str:
    """To `digits` significant digits, without an exponent."""
    return f"{float(f'{figure:.{digits}g}'):g}"


def table(page: Path, found: list[tuple[Claim, float]]) -> str:
    """The table of claims as it stands in a page."""
    rows = [
        cells(claim, figure)
        for claim, figure in found
        if (claim.group in SENSOR_GROUPS) == (page == SENSORS)
    ]
    head = ["| circuit | claim | allowed | simulated | margin |", "|---|---|---|---|---|"]
    return "\n".join([*head, *(f"| {' | '.join(row)} |" for row in rows)])


def between(text: str, begin: str, end: str) -> str:
    """What stands between two marks."""
    return text.split(begin)[1].split(end)[0].strip("\n")


def write(found: list[tuple[Claim, float]]) -> None:
    """Put the tables into both pages and the values into parts.inc."""
    for page in (README, SENSORS):
        text = page.read_text()
        for begin, end, inner in (
            (BEGIN, END, table(page, found)),
            (PARTS_BEGIN, PARTS_END, markdown(sensors=page == SENSORS)),
        ):
            before, rest = text.split(begin)
            text = f"{before}{begin}\n\n{inner}\n\n{end}{rest.split(end)[1]}"
        page.write_text(text)
    (HERE / "parts.inc").write_text(spice())
