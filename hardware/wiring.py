# SPDX-License-Identifier: MIT
"""Draws wiring.svg: `python3 hardware/wiring.py` (needs the extra "drawings").

Values come from parts.toml. The tables in README.md say the same in words; where they differ, one
of them is wrong.
"""

from __future__ import annotations

import sys
from pathlib import Path

import schemdraw
from schemdraw import elements as elm

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from part_table import PARTS  # noqa: E402

TARGET = HERE / "wiring.svg"


def name_over_value(part: str) -> str:
    """A part's label on two lines."""
    return f"{part}\n{PARTS[part].value}"


def suppression(d: schemdraw.Drawing, number: int, x: float, top: float, bottom: float) -> None:
    """Diode and zener in series across a coil: D blocks in service, both clamp at release."""
    middle = (x, (top + bottom) / 2)
    d += elm.Diode().at(middle).to((x, top)).label(f"D{number}", loc="bottom")
    d += elm.Zener().at(middle).to((x, bottom)).label(PARTS[f"Z{number}"].label, loc="bottom")


def feed_chain(d: schemdraw.Drawing, y: float) -> tuple[float, float]:
    """Supply, fuse, stop and reverse diode, from left to right; returns where they end."""
    d += elm.Dot(open=True).at((0, y)).label("+12 V", loc="left")
    d += (
        elm.Fuse()
        .at((0, y))
        .right()
        .length(2.2)
        .label(f"{PARTS['F1'].label} fuse,\nat the supply", loc="top")
    )
    d += elm.Button(nc=True).right().length(2.4).label("S0 mushroom\nstop", loc="top")
    d += elm.Schottky().right().length(1.8).label("D7", loc="top")
    return d.here[0], d.here[1]


def readback(
    d: schemdraw.Drawing, load: tuple[float, float], ground_y: float, *, zener: bool
) -> None:
    """The opto-coupler that looks at the load terminal; `zener`: the feed side ground."""
    x, y = load
    if zener:
        d += elm.Line().at(load).right().length(1.6)
        d += elm.Zener().right().reverse().length(1.8).label(PARTS["Z3"].label, loc="bottom")
    else:
        d += elm.Line().at(load).right().length(3.4)
    d += elm.Resistor().right().length(2.2).label(PARTS["R15" if zener else "R3"].label, loc="top")
    opto = elm.Optocoupler(base=False).anchor("anode").at((x + 6.4, y - 1.2))
    d += elm.Line().at((x + 5.6, y)).down().length(1.2)
    d += elm.Line().right().length(0.8)
    d += opto
    d += elm.Label().at((x + 7.3, y + 0.2)).label("U1 opto-coupler,\nD3 antiparallel\nto its LED")
    d += elm.Line().at(opto.cathode).left().length(0.8)
    d += elm.Line().down().toy(ground_y)
    d += elm.Ground()
    d += elm.Line().at(opto.collector).right().length(0.8)
    d += elm.Vdd().label("3V3")
    d += elm.Line().at(opto.emitter).right().length(1.6)
    node = d.here
    d += elm.Line().right().length(1.2)
    d += elm.Dot(open=True).label("GPIO 27\n(high: voltage)", loc="right")
    d += elm.Dot().at(node)
    d += elm.Resistor().at(node).down().toy(ground_y).label(PARTS["R4"].label, loc="bottom")
    d += elm.Ground()


def feed_side_supply(d: schemdraw.Drawing, y: float) -> None:
    """Relay between supply and coil."""
    d += (
        elm.Label()
        .at((0, y + 2.6))
        .label(
            'Feed side "supply": the relay switches the coil\'s upper end',
            halign="left",
            fontsize=15,
        )
    )
    x, _ = feed_chain(d, y)
    d += elm.Switch(action="close").at((x, y)).right().length(3).label("K1 contact,\nnormally open")
    d += elm.Line().right().length(0.6)
    load = (d.here[0], d.here[1])
    d += elm.Dot().at(load).label("LOAD", loc="top")
    bottom = (load[0], y - 4.4)
    d += elm.Inductor2(loops=4).at(load).to(bottom).label("solenoid\ncoil", loc="top", ofst=0.2)
    suppression(d, 1, load[0] + 1.5, y, bottom[1])
    d += elm.Line().at(bottom).right().length(1.5)
    d += elm.Line().at(bottom).down().length(0.3)
    d += elm.Ground().label("coil's ground", loc="bottom")
    readback(d, load, y - 4.4, zener=False)


def feed_side_ground(d: schemdraw.Drawing, y: float) -> None:
    """Relay between coil and ground."""
    d += (
        elm.Label()
        .at((0, y + 2.6))
        .label(
            'Feed side "ground": the relay switches the coil\'s lower end',
            halign="left",
            fontsize=15,
        )
    )
    x, _ = feed_chain(d, y)
    d += elm.Line().at((x, y)).right().length(3.6)
    top = (d.here[0], d.here[1])
    load = (top[0], y - 3.6)
    d += elm.Inductor2(loops=4).at(top).to(load).label("solenoid\ncoil", loc="top", ofst=0.2)
    d += elm.Line().at(top).right().length(1.5)
    suppression(d, 1, top[0] + 1.5, y, load[1])
    d += elm.Dot().at(load).label("LOAD", loc="left")
    d += (
        elm.Switch(action="close")
        .at(load)
        .down()
        .length(3)
        .label("K1 contact,\nnormally open", loc="top", ofst=0.2)
    )
    d += elm.Ground()
    readback(d, load, y - 7.6, zener=True)


def guarded_input(
    d: schemdraw.Drawing, at: tuple[float, float], pin: str, parts: tuple[str, str, str, str, str]
) -> tuple[float, float]:
    """An input that survives a fed wire; returns where its contact is joined on."""
    capacitor, series, pull_up, diode, suppressor = parts
    x, y = at
    d += elm.Dot(open=True).at(at).label(pin, loc="left")
    d += elm.Line().right().length(0.8)
    d += elm.Dot()
    d += elm.Capacitor().down().length(2.2).label(name_over_value(capacitor), loc="top", ofst=0.2)
    d += elm.Ground()
    d += elm.Resistor().at((x + 0.8, y)).right().length(2.4).label(PARTS[series].label, loc="top")
    node = d.here
    d += elm.Dot().at(node)
    d += elm.Schottky().at((node[0], y + 1.5)).to(node).label(diode, loc="bottom", ofst=0.1)
    d += (
        elm.Resistor()
        .at((node[0], y + 1.5))
        .up()
        .length(1.7)
        .label(name_over_value(pull_up), loc="bottom", ofst=0.1)
    )
    d += elm.Vdd().label("3V3")
    d += elm.Line().at(node).right().length(0.6)
    d += elm.Dot()
    d += (
        elm.Zener().down().length(2.2).label(f"{PARTS[suppressor].label},\nboth ways", loc="bottom")
    )
    d += elm.Ground()
    d += elm.Line().at((node[0] + 0.6, y)).right().length(3.4)
    return d.here[0], d.here[1]


def ground_and_rail(d: schemdraw.Drawing, x: float, y: float) -> None:
    """The one ground point with its fuse, and what holds 3.3 V of an unpowered board down."""
    d += elm.Ground().at((x, y)).label("board", loc="bottom")
    d += elm.Line().at((x, y)).right().length(0.5)
    d += elm.Fuse().right().length(2.2).label(f"{PARTS['F2'].label} fuse", loc="top")
    d += elm.Dot(open=True).label("ground point:\nsupply minus", loc="right")
    d += elm.Vdd().at((x + 8.6, y + 1.2)).label("3V3")
    d += elm.Line().at((x + 8.6, y + 1.2)).right().length(1.8)
    d += elm.Resistor().at((x + 8.6, y + 1.2)).down().length(2).label(PARTS["R12"].label, loc="top")
    d += elm.Ground()
    d += (
        elm.Schottky()
        .at((x + 10.4, y - 0.8))
        .to((x + 10.4, y + 1.2))
        .label("D10", loc="bottom", ofst=0.1)
    )
    d += elm.Ground().at((x + 10.4, y - 0.8))


def board_side(d: schemdraw.Drawing, y: float) -> None:
    """Driver of the relay coil, switch input and gauge, the same for both feed sides."""
    d += (
        elm.Label()
        .at((0, y + 5.6))
        .label("Raspberry Pi side, the same for both", halign="left", fontsize=15)
    )
    d += elm.Dot(open=True).at((1.6, y - 2)).label("GPIO 17\n(high: coil on)", loc="left")
    d += elm.Resistor().right().length(2.2).label(PARTS["R1"].label, loc="top")
    gate = d.here
    d += elm.Dot().at(gate)
    d += (
        elm.Resistor().at(gate).down().length(2.2).label(name_over_value("R2"), loc="top", ofst=0.1)
    )
    d += elm.Ground()
    d += elm.Line().at(gate).right().length(1.6)
    fet = elm.NFet(bulk=False).theta(0).reverse().anchor("gate").at(d.here)
    d += fet
    d += (
        elm.Label()
        .at((fet.source[0] + 0.3, gate[1]))
        .label("Q1 N-channel,\nlogic level", halign="left")
    )
    d += elm.Line().at(fet.source).down().toy(gate[1] - 2.2)
    d += elm.Ground()
    d += elm.Line().at(fet.drain).up().length(0.3)
    low = d.here
    d += elm.Inductor2(loops=3).up().length(2.4).label("K1 coil", loc="top", ofst=0.2)
    high = d.here
    d += elm.Schottky().at((high[0], high[1] + 1.5)).to(high).label("D8", loc="top", ofst=0.1)
    d += elm.Vdd().at((high[0], high[1] + 1.5)).label("relay supply")
    suppression(d, 2, high[0] + 1.4, high[1], low[1])
    d += elm.Line().at(high).right().length(1.4)
    d += elm.Line().at(low).right().length(1.4)
    x = 13.0
    wire = guarded_input(d, (x, y - 2), "GPIO 22\n(low: closed)", ("C1", "R5", "R6", "D4", "Z4"))
    d += (
        elm.Switch(action="close")
        .at(wire)
        .down()
        .length(2.2)
        .label("pressure\nswitch", loc="bottom", ofst=0.4)
    )
    d += elm.Ground().label("engine", loc="bottom")
    # gauge
    d += elm.Dot(open=True).at((x + 8.4, y + 1.6)).label("USB", loc="left")
    d += elm.Line().right().length(1.2)
    d += (
        elm.Label()
        .at((x + 9.8, y + 1.6))
        .label("serial pressure gauge,\nisolated adapter", halign="left")
    )


def optional(d: schemdraw.Drawing, y: float) -> None:
    """Heartbeat charge pump in the driver's ground lead, and the loops."""
    d += (
        elm.Label()
        .at((0, y + 1.8))
        .label(
            "Optional: heartbeat circuit in Q1's ground lead, and the loops",
            halign="left",
            fontsize=15,
        )
    )
    d += elm.Dot(open=True).at((1.6, y)).label("GPIO 24\n(toggles)", loc="left")
    d += elm.Resistor().right().length(2.0).label(PARTS["R7"].label, loc="top")
    d += elm.Capacitor().right().length(2.4).label(PARTS["C2"].label, loc="top")
    pump = d.here
    d += elm.Dot().at(pump)
    d += elm.Ground().at((pump[0], y - 2.2))
    d += elm.Schottky().at((pump[0], y - 2.2)).to(pump).label("D5", loc="top", ofst=0.1)
    d += elm.Line().at(pump).right().length(1.2)
    d += elm.Dot()
    d += elm.Resistor().down().length(2.2).label(name_over_value("R11"), loc="bottom", ofst=0.1)
    d += elm.Ground()
    d += elm.Schottky().at((pump[0] + 1.2, y)).right().length(2.8).label("D6", loc="top")
    store = d.here
    d += elm.Dot().at(store)
    d += (
        elm.Capacitor()
        .at(store)
        .down()
        .length(2.2)
        .label(name_over_value("C3"), loc="top", ofst=0.2)
    )
    d += elm.Ground()
    d += elm.Line().at(store).right().length(1.9)
    gate = d.here
    d += elm.Dot().at(gate)
    d += (
        elm.Resistor().at(gate).down().length(2.2).label(name_over_value("R8"), loc="top", ofst=0.1)
    )
    d += elm.Ground()
    d += elm.Line().at(gate).right().length(1.2)
    fet = elm.NFet(bulk=False).theta(0).reverse().anchor("gate").at(d.here)
    d += fet
    d += elm.Label().at((fet.source[0] + 0.3, y)).label("Q2 N-channel,\non at 1.8 V", halign="left")
    d += elm.Line().at(fet.source).down().toy(y - 2.2)
    d += elm.Ground()
    d += elm.Line().at(fet.drain).up().length(0.5)
    d += elm.Dot(open=True).label("source of Q1,\ninstead of ground", loc="right")
    x = 20.4
    wire = guarded_input(
        d, (x, y), "GPIO 5 stop,\nGPIO 6 cover,\neach:", ("C4", "R9", "R10", "D9", "Z5")
    )
    d += (
        elm.Button(nc=True)
        .at(wire)
        .down()
        .length(2.2)
        .label("normally\nclosed loop", loc="bottom", ofst=0.4)
    )
    d += elm.Ground()


def draw() -> schemdraw.Drawing:
    """The whole drawing, not yet written."""
    schemdraw.use("svg")
    schemdraw.svgconfig.text = "text"
    d = schemdraw.Drawing(show=False)
    d.config(fontsize=12, unit=2.5, bgcolor="white", margin=0.8)
    feed_side_supply(d, 0)
    feed_side_ground(d, -9.5)
    board_side(d, -24.5)
    ground_and_rail(d, 13.0, -32.2)
    optional(d, -38.8)
    d += elm.Label().at((-1.5, 3.2))  # corners, so that no text is cut off
    d += elm.Label().at((30, -42.2))
    return d


if __name__ == "__main__":
    draw().save(str(TARGET))
    sys.stdout.write(f"{TARGET}\n")
