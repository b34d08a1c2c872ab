# SPDX-License-Identifier: MIT
"""The sections of hardware/sensors.md: converter, each of its channels, engine speed."""

from __future__ import annotations

from schemdraw import elements as elm

from rig.config.analog.model import SPI_LINES, AnalogChannel, ConverterSetup, EngineSpeedSetup
from rig.config.setup.model import Setup
from rig.wiring.names import with_pin
from rig.wiring.sections import labelled, stacked
from rig.wiring.sketch import XY, Side, Sketch

SENSOR_WORDS = {
    "ratiometric": "sensor,\nratiometric",
    "linear": "sensor,\nvoltage out",
    "current loop": "sensor,\n4 to 20 mA",
    "thermistor": "sensor,\nthermistor",
    "platinum": "sensor,\nplatinum",
}


def title_of(item: AnalogChannel) -> str:
    """The heading of a channel's section."""
    kind = {"voltage": "divided", "hall": "hall sensor"}.get(item.kind, item.kind)
    return f"Channel {item.channel}: {kind}, input {item.input}"


def converter(
    setup: Setup, chip: ConverterSetup, values: dict[str, str], minus: list[str], *, apart: bool
) -> Sketch:
    """The converter with its reference; `apart`: a separate terminal for the reference. `minus` are
    inputs that lead to ground."""
    s = Sketch("Converter", "converter")
    lines = SPI_LINES[chip.port]
    bus = [("clock", lines["clock"]), ("data_in", lines["data in"]),
           ("data_out", lines["data out"]), ("select", lines[f"select {chip.device}"])]  # fmt: skip
    used = sorted([f"in{item.input}" for item in setup.analog] + minus)
    height = max(len(used), 4) * 0.9 + 1.4
    top: list[tuple[str, str, Side]] = [("supply", "supply", "top")]
    if apart:
        top.append(("reference", "reference", "top"))
    pins = s.block(
        f"U21 {values['U21']}", (3.0, 0), (6.6, height),
        [*((name, name.replace("_", " "), "left") for name, _ in bus),
         *((name, f"input {name[2:]}", "right") for name in used),
         *top, ("ground", "ground", "bottom")],
        pad=1.0,
    )  # fmt: skip
    for name, line in bus:
        s.wire(pins[name], (1.6, pins[name][1]))
        s.terminal(with_pin(line), (1.6, pins[name][1]))
    for name in used:
        x, y = pins[name]
        s.wire((x, y), (x + 0.8, y))
        if name in minus:
            s.ground((x + 0.8, y))
        else:
            s.terminal(f"input {name[2:]}", (x + 0.8, y), "right")
    s.wire(pins["ground"], (pins["ground"][0], -0.9))
    s.ground((pins["ground"][0], -0.9))
    _supply(s, values, pins["supply"])
    if apart:
        _reference_terminal(s, pins["reference"])
    return s


def _supply(s: Sketch, values: dict[str, str], pin: XY) -> None:
    (x, y), left = pin, pin[0] - 2.6
    rail = y + 1.6
    s.wire(pin, (x, rail))
    s.rail("3V3", (x, rail))
    s.wire((x, rail), (left, rail), (left - 2.2, rail))
    s.dot((left, rail))
    for part, at in (("C22", left), ("C24", left - 2.2)):
        s.part(
            elm.Capacitor, stacked(values, part), (at, rail), (at, rail - 1.7), side="top", ofst=0.2
        )
        s.ground((at, rail - 1.7))


def _reference_terminal(s: Sketch, pin: XY) -> None:
    s.wire(pin, (pin[0], pin[1] + 0.9))
    s.terminal("reference", (pin[0], pin[1] + 0.9), "right")


def reference(values: dict[str, str]) -> Sketch:
    """The converter's reference."""
    s = Sketch("Reference of the converter", "reference")
    pins = s.block(f"U22 {values['U22']}", (1.5, -1.0), (3.6, 1.8),
                   [("in", "in", "left"), ("out", "out", "right"),
                    ("ground", "", "bottom")])  # fmt: skip
    s.wire(pins["in"], (0.4, pins["in"][1]), (0.4, 0.9))
    s.rail("3V3", (0.4, 0.9))
    s.ground(pins["ground"])
    x, y = pins["out"]
    s.wire((x, y), (x + 1.0, y), (x + 2.0, y))
    s.dot((x + 1.0, y))
    s.part(elm.Capacitor, stacked(values, "C22"), (x + 1.0, y), (x + 1.0, y - 1.7), side="bottom",
           ofst=0.2)  # fmt: skip
    s.ground((x + 1.0, y - 1.7))
    s.terminal("reference", (x + 2.0, y), "right")
    return s


def channel(item: AnalogChannel, values: dict[str, str], source: str, feed: str) -> Sketch:
    """One input of the converter with the circuit before it."""
    s = Sketch(title_of(item), item.channel)
    if item.kind == "current loop":
        _current_loop(s, item, values)
    elif item.kind in ("thermistor", "platinum"):
        _resistance(s, item, values, feed)
    else:
        at = _source(s, item, values, source, feed)
        _front(s, item, values, at)
    return s


def _source(s: Sketch, item: AnalogChannel, values: dict[str, str], source: str, feed: str) -> XY:
    """The signal source; returns where its output is."""
    if source == "sensor_supply":
        s.terminal("sensor supply", (3.0, 0))
        return 3.0, 0.0
    if source == "supply_voltage":
        s.terminal("supply plus", (0.8, 0))
        s.part(elm.Fuse, labelled(values, "F20"), (0.8, 0), (3.0, 0))
        return 3.0, 0.0
    if source == "yours":
        pins = s.block("your own circuit", (-1.1, -0.9), (3.6, 1.8), [("pin", "", "right")])
        return pins["pin"]
    if source == "shunt":
        return _shunt(s, values)
    words = "U24, hall\nsensor" if source == "hall" else SENSOR_WORDS[item.kind]
    out = "out" if source == "hall" else "signal"
    pins = s.block(words, (-0.5, -0.9), (3.0, 1.8),
                   [("supply", "", "top"), (out, "", "right"),
                    ("ground", "", "bottom")])  # fmt: skip
    s.wire(pins["supply"], (pins["supply"][0], pins["supply"][1] + 0.2))
    s.terminal(feed, (pins["supply"][0], pins["supply"][1] + 0.2), "top")
    s.ground(pins["ground"])
    return pins[out]


def _shunt(s: Sketch, values: dict[str, str]) -> XY:
    pins = s.block(
        "U23,\namplifier", (0.6, -1.1), (2.4, 2.2),
        [("plus", "+", "left"), ("minus", "-", "left"), ("out", "", "right"),
         ("supply", "", "top"), ("ground", "", "bottom")],
    )  # fmt: skip
    plus, minus = pins["plus"], pins["minus"]
    x, top, low = -1.6, 1.6, -1.6
    s.part(elm.Resistor, labelled(values, "R32"), (x, top), (x, low), side="top")
    s.wire((x, top), (-0.6, top), (-0.6, plus[1]), plus)
    s.wire((x, low), (-0.6, low), (-0.6, minus[1]), minus)
    s.terminal("coil's lower end", (x - 0.8, top))
    s.wire((x - 0.8, top), (x, top))
    s.dot((x, top), (x, low))
    s.ground((x, low), "supply minus")
    s.rail("3V3", pins["supply"])
    s.ground(pins["ground"])
    return pins["out"]


def _front(s: Sketch, item: AnalogChannel, values: dict[str, str], at: XY) -> None:
    series = "R23" if item.channel == "coil_current" else "R22"
    capacitor = "C20" if item.channel == "pressure" else "C21"
    x, y = max(at[0], 3.0), at[1]
    s.wire(at, (x, y))
    if item.divider_upper_ohm is not None:
        s.part(elm.Resistor, labelled(values, "R20"), (x, y), (x + 2.2, y))
        x += 2.2
        s.dot((x, y))
        s.part(elm.Resistor, stacked(values, "R21"), (x, y), (x, y - 2.2), side="bottom")
        s.ground((x, y - 2.2))
        s.wire((x, y), (x + 0.6, y))
        x += 0.6
    s.part(elm.Resistor, labelled(values, series), (x, y), (x + 2.2, y))
    x += 2.2
    s.dot((x, y))
    s.part(elm.Capacitor, stacked(values, capacitor), (x, y), (x, y - 2.2), side="bottom", ofst=0.2)
    s.ground((x, y - 2.2))
    s.wire((x, y), (x + 2.4, y), (x + 3.6, y))
    s.dot((x + 2.4, y))
    s.part(elm.Resistor, stacked(values, "R30"), (x + 2.4, y), (x + 2.4, y - 2.2), side="bottom")
    s.ground((x + 2.4, y - 2.2))
    s.terminal(f"input {item.input}", (x + 3.6, y), "right")


def _current_loop(s: Sketch, item: AnalogChannel, values: dict[str, str]) -> None:
    s.terminal("loop supply", (-2.2, 0))
    s.part(elm.Fuse, labelled(values, "F21"), (-2.2, 0), (0, 0))
    pins = s.block(SENSOR_WORDS[item.kind], (0.5, -0.9), (3.0, 1.8),
                   [("plus", "+", "left"), ("minus", "-", "right")])  # fmt: skip
    s.wire((0, 0), pins["plus"])
    x, y = pins["minus"][0] + 0.6, pins["minus"][1]
    s.wire(pins["minus"], (x, y), (x + 0.8, y))
    s.dot((x, y))
    s.part(elm.Resistor, stacked(values, "R24"), (x, y), (x, y - 2.2), side="bottom")
    s.ground((x, y - 2.2))
    s.part(elm.Resistor, labelled(values, "R26"), (x + 0.8, y), (x + 3.0, y))
    _into(s, item, values, (x + 3.0, y))


def _resistance(s: Sketch, item: AnalogChannel, values: dict[str, str], feed: str) -> None:
    s.terminal(feed, (0.8, 0))
    s.part(elm.Resistor, labelled(values, "R31"), (0.8, 0), (3.0, 0))
    pins = s.block(
        SENSOR_WORDS[item.kind], (2.0, -3.1), (2.6, 1.6), [("1", "", "top"), ("2", "", "bottom")]
    )
    x = pins["1"][0]
    s.wire((3.0, 0), (x, 0), (x + 2.2, 0))
    s.wire((x, 0), pins["1"])
    s.dot((x, 0))
    s.ground(pins["2"])
    _into(s, item, values, (x + 2.2, 0))


def _into(s: Sketch, item: AnalogChannel, values: dict[str, str], at: XY) -> None:
    x, y = at
    s.dot(at)
    s.part(elm.Capacitor, stacked(values, "C21"), at, (x, y - 2.2), side="bottom", ofst=0.2)
    s.ground((x, y - 2.2))
    s.wire(at, (x + 1.2, y))
    s.terminal(f"input {item.input}", (x + 1.2, y), "right")


def engine_speed(wired: EngineSpeedSetup, values: dict[str, str]) -> Sketch:
    """The pulses of a pick-up through an opto-coupler."""
    s = Sketch("Engine speed")
    s.terminal("pick-up", (0, 0))
    s.part(elm.Resistor, labelled(values, "R27"), (0, 0), (2.4, 0))
    led, dark = (2.8, 0.0), (2.8, -2.0)
    s.wire((2.4, 0), led, (4.6, 0), (4.6, -0.25))
    s.dot(led, dark)
    s.part(elm.Diode, "D20", dark, led, side="top")
    opto = elm.Optocoupler(base=False).theta(0).anchor("anode").at((4.6, -0.25))
    s.symbol(opto, "U20, opto-coupler", (4.7, 0.75))
    s.wire((opto.cathode[0], opto.cathode[1]), (4.6, -2.0), dark, (0, -2.0))
    s.terminal("pick-up's return", (0, -2.0))
    collector, emitter = (opto.collector[0], opto.collector[1]), (opto.emitter[0], opto.emitter[1])
    s.wire(collector, (collector[0] + 0.6, collector[1]))
    s.rail("3V3", (collector[0] + 0.6, collector[1]))
    x, y = emitter[0] + 1.6, emitter[1]
    s.wire(emitter, (x, y))
    s.dot((x, y))
    s.part(elm.Resistor, stacked(values, "R28"), (x, y), (x, y - 2.2), side="bottom")
    s.ground((x, y - 2.2))
    s.part(elm.Resistor, labelled(values, "R29"), (x, y), (x + 2.4, y))
    s.dot((x + 2.4, y))
    s.part(elm.Capacitor, stacked(values, "C23"), (x + 2.4, y), (x + 2.4, y - 2.2), side="bottom",
           ofst=0.2)  # fmt: skip
    s.ground((x + 2.4, y - 2.2))
    s.wire((x + 2.4, y), (x + 3.6, y))
    remark = f"({wired.pulses_per_revolution:g} a revolution)"
    s.line_terminal(wired.line, remark, (x + 3.6, y), "right")
    return s
