# SPDX-License-Identifier: MIT
"""The netlist of converter, channels and engine speed, as hardware/sensors.md says."""

from __future__ import annotations

from rig.config.analog.model import ALWAYS_DIFFERENTIAL, SPI_LINES, AnalogChannel, ConverterSetup
from rig.config.setup.model import Setup
from rig.wiring.names import gpio
from rig.wiring.netlist import Circuit
from rig.wiring.values import channel_values, values_of

SUPPLY_IS_REFERENCE = ("MCP3002", "MCP3202")
"""Types with one terminal for supply and reference (from memory of their data sheets)."""

CONVERTER = """
    3V3: U21.supply C22@converter.1 C24.1
    ground: U21.ground C22@converter.2 C24.2
    {clock}: U21.clock
    {data_in}: U21.data_in
    {data_out}: U21.data_out
    {select}: U21.select
    """
REFERENCE = """
    3V3: U22.in
    reference: U22.out U21.reference C22@reference.1
    ground: U22.ground C22@reference.2
    """
SOURCES = {
    "ratiometric": """
        {signal}: sensor.signal
        {supply}: sensor.supply
        ground: sensor.ground
        """,
    "supply_voltage": """
        supply plus: F20.1
        {signal}: F20.2
        """,
    "sensor_supply": "",
    "shunt": """
        coil's lower end: R32.1 U23.plus
        supply minus: R32.2 U23.minus
        3V3: U23.supply
        ground: U23.ground
        {signal}: U23.out
        """,
    "hall": """
        sensor supply: U24.supply
        ground: U24.ground
        {signal}: U24.out
        """,
    "yours": """
        {signal}: yours.pin
        """,
}
DIVIDER = """
    {signal}: R20.1
    behind the divider: R20.2 R21.1 {series}.1
    ground: R21.2
    """
PLAIN = "{signal}: {series}.1"
INTO_INPUT = """
    {input}: {series}.2 {capacitor}.1 R30.1
    ground: {capacitor}.2 R30.2
    """
CURRENT_LOOP = """
    loop supply: F21.1
    behind F21: F21.2 sensor.plus
    loop: sensor.minus R24.1 R26.1
    ground: R24.2 C21.2
    {input}: R26.2 C21.1
    """
RESISTANCE = """
    {feed}: R31.1
    {input}: R31.2 sensor.1 C21.1
    ground: sensor.2 C21.2
    """
ENGINE_SPEED = """
    pick-up: R27.1
    LED of U20: R27.2 U20.anode D20.cathode
    pick-up's return: U20.cathode D20.anode
    3V3: U20.collector
    emitter of U20: U20.emitter R28.1 R29.1
    ground: R28.2 C23.2
    {line}: R29.2 C23.1
    """


def add(setup: Setup, circuit: Circuit) -> None:
    """Everything in the setup that hardware/sensors.md wires."""
    if setup.converter is not None:
        _converter(setup, setup.converter, circuit)
        for item in setup.analog:
            _channel(setup, item, circuit)
    if setup.engine_speed is not None:
        lines = ENGINE_SPEED.format(line=gpio(setup.engine_speed.line))
        circuit.add(lines, values_of(setup))


def has_shunt(setup: Setup) -> bool:
    """Whether a shunt is in the lead from the coil's lower end to supply minus."""
    item = setup.analog_of("coil_current")
    return item is not None and item.kind == "shunt" and not own_circuit(setup, item)


def own_circuit(setup: Setup, item: AnalogChannel) -> bool:
    """Channels for which the pages give no circuit: a shunt beyond the relay's contact."""
    return item.kind == "shunt" and setup.coil.feed_side == "ground"


def source_of(setup: Setup, item: AnalogChannel) -> str:
    """The signal source, one of SOURCES."""
    if own_circuit(setup, item):
        return "yours"
    if item.kind == "voltage":
        return item.channel
    return "ratiometric" if item.kind in ("ratiometric", "linear") else item.kind


def feed_of(item: AnalogChannel) -> str:
    """The net that feeds a sensor: of three wires, or a resistance."""
    if item.kind in ("thermistor", "platinum"):
        return "reference" if item.supply_v is None else "own supply"
    return "own supply" if item.kind == "linear" else "sensor supply"


def series_of(item: AnalogChannel) -> str:
    """The resistor into the input: less low-pass for the coil's current than for all others."""
    return "R23" if item.channel == "coil_current" else "R22"


def capacitor_of(item: AnalogChannel) -> str:
    """The capacitor at the input."""
    return "C20" if item.channel == "pressure" else "C21"


def minus_inputs(setup: Setup, converter: ConverterSetup) -> list[str]:
    """Terminals of the converter that lead to ground: the other inputs of its pairs."""
    if converter.type in ALWAYS_DIFFERENTIAL:
        return ["in1"]
    return [f"in{item.input ^ 1}" for item in setup.analog if item.differential]


def _converter(setup: Setup, converter: ConverterSetup, circuit: Circuit) -> None:
    values, lines = values_of(setup), SPI_LINES[converter.port]
    circuit.add(
        CONVERTER.format(
            clock=gpio(lines["clock"]), data_in=gpio(lines["data in"]),
            data_out=gpio(lines["data out"]), select=gpio(lines[f"select {converter.device}"]),
        ),
        values,
    )  # fmt: skip
    if converter.type not in SUPPLY_IS_REFERENCE:
        circuit.add(REFERENCE, values)
    for terminal in minus_inputs(setup, converter):
        circuit.add(f"ground: U21.{terminal}", values)


def _channel(setup: Setup, item: AnalogChannel, circuit: Circuit) -> None:
    values, place = channel_values(setup, item), item.channel
    name = f"input {item.input}"
    circuit.add(f"{name}: U21@.in{item.input}", values, place)
    if item.kind == "current loop":
        circuit.add(CURRENT_LOOP.format(input=name), values, place)
        return
    if item.kind in ("thermistor", "platinum"):
        circuit.add(RESISTANCE.format(input=name, feed=feed_of(item)), values, place)
        return
    signal = "sensor supply" if item.channel == "sensor_supply" else "signal"
    said = {
        "signal": signal, "supply": feed_of(item), "input": name,
        "series": series_of(item), "capacitor": capacitor_of(item),
    }  # fmt: skip
    front = PLAIN if item.divider_upper_ohm is None else DIVIDER
    for lines in (SOURCES[source_of(setup, item)], front, INTO_INPUT):
        circuit.add(lines.format(**said), values, place)
