# SPDX-License-Identifier: MIT
"""The rig's own sections of the drawing: coil, relay, switch, loops, heartbeat, ground, gauge.

Each draws what hardware/README.md says, at fixed positions on the paper, with the setup's lines and
values. rig.wiring.draw.check verifies that it joins what the netlist joins.
"""

from __future__ import annotations

from typing import Any

from schemdraw import elements as elm

from rig.config.gauge.model import GaugeSetup
from rig.config.setup.model import ReadbackSetup, Setup
from rig.physics.feed import FeedSide
from rig.wiring.names import LOOPS
from rig.wiring.sketch import XY, Sketch


def labelled(values: dict[str, str], part: str) -> str:
    """A part's name and value on one line."""
    return f"{part} {values[part]}".rstrip()


def stacked(values: dict[str, str], part: str) -> str:
    """The same on two lines."""
    return f"{part}\n{values[part]}".rstrip()


def clamp(s: Sketch, values: dict[str, str], number: int, x: float, top: float, low: float) -> None:
    """Diode and zener in series across a coil: D blocks in service, both clamp at release."""
    middle = (x, (top + low) / 2)
    s.part(elm.Diode, f"D{number}", middle, (x, top), side="bottom")
    s.part(elm.Zener, labelled(values, f"Z{number}"), middle, (x, low), side="bottom")


def coil(setup: Setup, values: dict[str, str], *, shunt: bool) -> Sketch:
    """Supply to solenoid and back, with the read-back if there is one."""
    side = setup.coil.feed_side
    end = "upper" if side == "supply" else "lower"
    s = Sketch(f'Solenoid, feed side "{side}": the relay switches its {end} end')
    s.terminal(f"supply plus\n{setup.coil.supply_voltage_v:g} V", (0, 0))
    s.part(elm.Fuse, f"{labelled(values, 'F1')},\nat the supply", (0, 0), (2.4, 0))
    s.part(elm.Button, "S0, mushroom\nstop", (2.4, 0), (4.8, 0), pins=("11", "12"), nc=True)
    s.part(elm.Schottky, "D7", (4.8, 0), (6.6, 0))
    words = f"solenoid\n{setup.coil.resistance_ohm:g} ohm"
    if side == "supply":
        _switched_above(s, values, words, shunt=shunt)
    else:
        _switched_below(s, values, words)
    if setup.readback is not None:
        _readback(s, side, setup.readback, values)
    return s


LOAD = {"supply": (10.4, 0.0), "ground": (10.4, -3.6)}
LOW = {"supply": -4.4, "ground": -7.0}


def _switched_above(s: Sketch, values: dict[str, str], words: str, *, shunt: bool) -> None:
    (x, y), low = LOAD["supply"], LOW["supply"]
    s.part(elm.Switch, "K1 contact,\nnormally open", (6.6, 0), (9.6, 0), pins=("13", "14"),
           action="close")  # fmt: skip
    s.wire((9.6, 0), (x, y), (x + 1.5, y))
    s.dot((x, y))
    s.terminal("LOAD", (x, y + 0.7), "top")
    s.wire((x, y + 0.7), (x, y))
    s.part(elm.Inductor2, words, (x, y), (x, low), pins=("upper", "lower"), ofst=0.2, loops=4)
    clamp(s, values, 1, x + 1.5, y, low)
    if shunt:
        s.wire((x, low), (x, low - 0.5))
        s.terminal("coil's lower end\n(shunt)", (x, low - 0.5), "left")
        s.ground((x + 1.5, low), "supply minus")
    else:
        s.wire((x + 1.5, low), (x, low))
        s.ground((x, low), "supply minus")
        s.dot((x, low))


def _switched_below(s: Sketch, values: dict[str, str], words: str) -> None:
    (x, y), low = LOAD["ground"], LOW["ground"]
    s.wire((6.6, 0), (x, 0), (x + 1.5, 0))
    s.dot((x, 0))
    s.part(elm.Inductor2, words, (x, 0), (x, y), pins=("upper", "lower"), ofst=0.2, loops=4)
    clamp(s, values, 1, x + 1.5, 0, y)
    s.wire((x, y), (x + 1.5, y))
    s.dot((x, y))
    s.terminal("LOAD", (x - 1.0, y), "left")
    s.wire((x - 1.0, y), (x, y))
    s.part(elm.Switch, "K1 contact,\nnormally open", (x, y), (x, low), pins=("13", "14"), ofst=0.2,
           action="close")  # fmt: skip
    s.ground((x, low), "supply minus")


def _readback(s: Sketch, side: FeedSide, wired: ReadbackSetup, values: dict[str, str]) -> None:
    """The opto-coupler that senses the load terminal."""
    (x, y), low = LOAD[side], LOW[side]
    if side == "supply":
        s.wire((x + 1.5, y), (x + 3.4, y))
        s.dot((x + 1.5, y))
        s.part(elm.Resistor, labelled(values, "R3"), (x + 3.4, y), (x + 5.6, y))
    else:
        s.dot((x + 1.5, y))
        s.part(elm.Zener, labelled(values, "Z3"), (x + 3.6, y), (x + 1.5, y), side="bottom")
        s.part(elm.Resistor, labelled(values, "R15"), (x + 3.6, y), (x + 5.6, y))
    led, dark = (x + 5.6, y), (x + 5.6, y - 2.0)
    s.wire(led, (x + 7.4, y), (x + 7.4, y - 0.25))
    s.dot(led)
    s.part(elm.Diode, "D3", dark, led, side="top")
    opto = elm.Optocoupler(base=False).theta(0).anchor("anode").at((x + 7.4, y - 0.25))
    s.symbol(opto, "U1, opto-coupler", (x + 7.5, y + 0.75))
    s.wire((opto.cathode[0], opto.cathode[1]), (x + 7.4, y - 2.0), dark)
    s.wire(dark, (x + 5.6, low))
    s.dot(dark)
    s.ground((x + 5.6, low), "supply minus")
    _readback_pin(s, wired, values, opto, low)


def _readback_pin(
    s: Sketch, wired: ReadbackSetup, values: dict[str, str], opto: Any, low: float
) -> None:
    collector: XY = (opto.collector[0], opto.collector[1])
    emitter: XY = (opto.emitter[0], opto.emitter[1])
    x = collector[0] + 1.6
    remark = f"({wired.voltage_reads}: voltage at LOAD)"
    if wired.voltage_reads == "high":
        s.wire(collector, (collector[0] + 0.6, collector[1]))
        s.rail("3V3", (collector[0] + 0.6, collector[1]))
        s.wire(emitter, (x + 1.2, emitter[1]))
        s.dot((x, emitter[1]))
        s.part(elm.Resistor, labelled(values, "R4"), (x, emitter[1]), (x, low), side="bottom")
        s.ground((x, low))
        s.line_terminal(wired.line, remark, (x + 1.2, emitter[1]), "right")
    else:
        s.wire(collector, (x + 1.2, collector[1]))
        s.dot((x, collector[1]))
        s.part(elm.Resistor, labelled(values, "R4"), (x, collector[1] + 2.0), (x, collector[1]),
               side="bottom")  # fmt: skip
        s.rail("3V3", (x, collector[1] + 2.0))
        s.line_terminal(wired.line, remark, (x + 1.2, collector[1]), "right")
        s.wire(emitter, (emitter[0] + 0.6, emitter[1]), (emitter[0] + 0.6, low))
        s.ground((emitter[0] + 0.6, low))


def transistor(s: Sketch, words: str, gate: XY) -> tuple[XY, XY]:
    """An N-channel transistor with its legs named: with source and drain exchanged its own diode
    would keep the relay on. Returns source and drain."""
    q = elm.NFet(bulk=False).theta(0).reverse().anchor("gate").at(gate)
    s.symbol(q, words, (gate[0] + 1.5, gate[1] - 0.1))
    source, drain = (q.source[0], q.source[1]), (q.drain[0], q.drain[1])
    s.text("G", (gate[0] + 0.05, gate[1] + 0.25), "right")
    s.text("D", (drain[0] - 0.25, drain[1] - 0.05), "right")
    s.text("S", (source[0] - 0.15, source[1] - 0.35), "right")
    return source, drain


def relay(setup: Setup, values: dict[str, str]) -> Sketch:
    """Driver and coil of the relay."""
    s = Sketch("Relay driver, active-high")
    s.line_terminal(setup.relay.line, "(high: coil on)", (0, 0))
    s.part(elm.Resistor, labelled(values, "R1"), (0, 0), (2.2, 0))
    s.dot((2.2, 0))
    s.part(elm.Resistor, stacked(values, "R2"), (2.2, 0), (2.2, -2.2), side="top")
    s.ground((2.2, -2.2))
    s.wire((2.2, 0), (3.8, 0))
    source, drain = transistor(s, "Q1, N-channel,\nlogic level", (3.8, 0))
    x, top = drain[0], drain[1] + 2.8
    s.wire(source, (x, -2.2))
    if setup.heartbeat is None:
        s.ground((x, -2.2))
    else:
        s.terminal("source of Q1\n(heartbeat)", (x, -2.2), "bottom")
    s.wire(drain, (x, drain[1] + 0.3), (x + 1.5, drain[1] + 0.3))
    s.dot((x, drain[1] + 0.3))
    s.part(elm.Inductor2, "K1 coil", (x, top), (x, drain[1] + 0.3), side="top",
           pins=("A1", "A2"), ofst=0.2, loops=3)  # fmt: skip
    s.dot((x, top))
    s.wire((x, top), (x + 1.5, top))
    clamp(s, values, 2, x + 1.5, top, drain[1] + 0.3)
    s.part(elm.Schottky, "D8", (x, top + 1.6), (x, top), side="top")
    s.rail("relay supply", (x, top + 1.6))
    return s


def guarded(
    s: Sketch, values: dict[str, str], line: int, remark: str, parts: tuple[str, ...]
) -> XY:
    """An input that survives a live wire connected to it; returns where its contact is joined."""
    capacitor, series, pull_up, diode, suppressor = parts
    s.line_terminal(line, remark, (0, 0))
    s.wire((0, 0), (0.8, 0))
    s.dot((0.8, 0))
    s.part(elm.Capacitor, stacked(values, capacitor), (0.8, 0), (0.8, -2.2), side="top", ofst=0.2)
    s.ground((0.8, -2.2))
    s.part(elm.Resistor, labelled(values, series), (0.8, 0), (3.2, 0))
    s.dot((3.2, 0))
    s.part(elm.Schottky, diode, (3.2, 1.5), (3.2, 0), side="bottom")
    s.part(elm.Resistor, stacked(values, pull_up), (3.2, 3.2), (3.2, 1.5), side="bottom")
    s.rail("3V3", (3.2, 3.2))
    s.wire((3.2, 0), (3.8, 0), (7.0, 0))
    s.dot((3.8, 0))
    s.part(elm.DiodeTVS, f"{labelled(values, suppressor)},\nboth ways", (3.8, 0), (3.8, -2.2),
           side="bottom", pins=("1", "2"))  # fmt: skip
    s.ground((3.8, -2.2))
    return 7.0, 0.0


def own_circuit(title: str, place: str, line: int, remark: str) -> Sketch:
    """An input for which the pages give no circuit."""
    s = Sketch(title, place)
    s.line_terminal(line, remark, (0, 0))
    s.wire((0, 0), (1.0, 0))
    s.block("your own circuit", (1.0, -0.9), (3.6, 1.8), [("pin", "", "left")])
    return s


def switch(setup: Setup, values: dict[str, str], *, drawn: bool) -> Sketch:
    """The pressure switch's input."""
    wired = setup.switch
    level = "high" if setup.switch_closed_level else "low"
    if not drawn:
        return own_circuit("Pressure switch", "switch", wired.line, f"({level}: closed)")
    s = Sketch("Pressure switch")
    at = guarded(s, values, wired.line, f"({level}: closed)", ("C1", "R5", "R6", "D4", "Z4"))
    kind = "kind not known" if wired.contact == "find" else wired.contact
    action = "open" if wired.contact == "normally closed" else "close"
    low = (at[0], -2.2)
    s.part(elm.Switch, f"pressure switch,\n{kind}", at, low, side="bottom", ofst=0.4, action=action)
    s.ground(low, "engine", "its housing: engine, on a\nbench the ground point")
    return s


LOOP_TITLES = {"stop": "Stop input", "cover": "Cover input", "confirm": "Confirm button"}
LOOP_WORDS = {
    "stop": "S0, its second\ncontact",
    "cover": "S1, cover,\nnormally closed",
    "confirm": "S2, push button",
}


def loop(place: str, line: int, values: dict[str, str], *, drawn: bool) -> Sketch:
    """The stop's or the cover's loop, or the confirm button."""
    title = LOOP_TITLES[place]
    if not drawn:
        return own_circuit(title, place, line, "")
    s = Sketch(title, place)
    remark = "(low: pressed)" if place == "confirm" else "(low: closed)"
    at = guarded(s, values, line, remark, ("C4", "R9", "R10", "D9", "Z5"))
    _, first, second = LOOPS[place]
    low = (at[0], -2.2)
    s.part(elm.Button, LOOP_WORDS[place], at, low, side="bottom", ofst=0.4, pins=(first, second),
           nc=place != "confirm")  # fmt: skip
    s.ground(low)
    return s


def heartbeat(line: int, values: dict[str, str]) -> Sketch:
    """The charge pump in Q1's ground lead."""
    s = Sketch("Heartbeat, in the ground lead of Q1")
    s.line_terminal(line, "(toggles)", (0, 0))
    s.part(elm.Resistor, labelled(values, "R7"), (0, 0), (2.0, 0))
    s.part(elm.Capacitor, labelled(values, "C2"), (2.0, 0), (4.4, 0))
    s.dot((4.4, 0))
    s.part(elm.Schottky, "D5", (4.4, -2.2), (4.4, 0), side="top")
    s.ground((4.4, -2.2))
    s.wire((4.4, 0), (5.6, 0))
    s.dot((5.6, 0))
    s.part(elm.Resistor, stacked(values, "R11"), (5.6, 0), (5.6, -2.2), side="bottom")
    s.ground((5.6, -2.2))
    s.part(elm.Schottky, "D6", (5.6, 0), (8.4, 0))
    s.dot((8.4, 0))
    s.part(elm.Capacitor, stacked(values, "C3"), (8.4, 0), (8.4, -2.2), side="top", ofst=0.2)
    s.ground((8.4, -2.2))
    s.wire((8.4, 0), (10.3, 0), (11.5, 0))
    s.dot((10.3, 0))
    s.part(elm.Resistor, stacked(values, "R8"), (10.3, 0), (10.3, -2.2), side="top")
    s.ground((10.3, -2.2))
    source, drain = transistor(s, "Q2, N-channel,\non at 1.8 V", (11.5, 0))
    s.wire(source, (source[0], -2.2))
    s.ground((source[0], -2.2))
    s.wire(drain, (drain[0], drain[1] + 0.5))
    s.terminal("source of Q1,\ninstead of ground", (drain[0], drain[1] + 0.5), "right")
    return s


def ground(values: dict[str, str]) -> Sketch:
    """The single ground point with its fuse, and what holds the 3.3 V of an unpowered board
    down."""
    s = Sketch("Ground and 3.3 V of the board")
    s.ground((0, 0), "ground", "board,\npin 9")
    s.wire((0, 0), (0, 1.0), (0.6, 1.0))
    s.part(elm.Fuse, labelled(values, "F2"), (0.6, 1.0), (3.0, 1.0))
    s.wire((3.0, 1.0), (3.6, 1.0), (3.6, 0))
    s.ground((3.6, 0), "supply minus", "ground point:\nsupply minus")
    s.rail("3V3", (7.4, 1.4))
    s.text("pins 1 and 17", (7.9, 1.85))
    s.wire((7.4, 1.4), (9.2, 1.4))
    s.part(elm.Resistor, labelled(values, "R12"), (7.4, 1.4), (7.4, -0.6), side="top")
    s.ground((7.4, -0.6))
    s.part(elm.Schottky, "D10", (9.2, -0.6), (9.2, 1.4), side="bottom")
    s.ground((9.2, -0.6))
    return s


def gauge(wired: GaugeSetup) -> Sketch:
    """The serial gauge and its adapter."""
    s = Sketch("Serial gauge")
    s.terminal("USB\nof the board", (0, 0))
    s.wire((0, 0), (0.8, 0))
    near = s.block("G1, isolated\nUSB adapter", (1.3, -0.9), (3.2, 1.8),
                   [("USB", "", "left"), ("serial", "", "right")])  # fmt: skip
    s.wire((0.8, 0), near["USB"])
    far = s.block(
        f"serial gauge,\n{wired.baud} baud", (6.4, -0.9), (3.2, 1.8), [("serial", "", "left")]
    )
    s.wire(near["serial"], far["serial"])
    s.text(f"in the setup: {wired.port}", (1.3, -1.5))
    return s
