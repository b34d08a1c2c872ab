# SPDX-License-Identifier: MIT
"""The netlist of a rig as its setup says: what hardware/README.md and hardware/sensors.md say in
their tables, for the one rig that is being built.

Nothing here knows the drawing, and the drawing knows nothing of this: each is checked against the
other (rig.wiring.sketch, rig.wiring.netlist.differences).
"""

from __future__ import annotations

from rig.config.setup.model import Setup
from rig.config.setup.safeguards import ConfirmInput, LoopInput
from rig.wiring import circuit_sensors
from rig.wiring.names import LOOPS, PRINTED, gpio
from rig.wiring.netlist import Circuit, Netlist
from rig.wiring.values import values_of

COIL = {
    "supply": """
        supply plus: F1.1
        behind F1: F1.2 S0.11
        behind S0: S0.12 D7.anode
        behind D7: D7.cathode K1.13
        LOAD: K1.14 solenoid.upper D1.cathode
        inside the clamp: D1.anode Z1.anode
        supply minus: Z1.cathode
        """,
    "ground": """
        supply plus: F1.1
        behind F1: F1.2 S0.11
        behind S0: S0.12 D7.anode
        upper end of the solenoid: D7.cathode solenoid.upper D1.cathode
        inside the clamp: D1.anode Z1.anode
        LOAD: solenoid.lower Z1.cathode K1.13
        supply minus: K1.14
        """,
}
RELAY = """
    {line}: R1.1
    gate of Q1: R1.2 R2.1 Q1.gate
    ground: R2.2
    relay supply: D8.anode
    upper end of K1's coil: D8.cathode K1.A1 D2.cathode
    inside its clamp: D2.anode Z2.anode
    drain of Q1: Z2.cathode K1.A2 Q1.drain
    """
READBACK = {
    "supply": """
        LOAD: R3.1
        LED of U1: R3.2 U1.anode D3.cathode
        """,
    "ground": """
        LOAD: Z3.cathode
        behind Z3: Z3.anode R15.1
        LED of U1: R15.2 U1.anode D3.cathode
        """,
}
READBACK_PIN = {
    "high": """
        3V3: U1.collector
        {line}: U1.emitter R4.1
        ground: R4.2
        """,
    "low": """
        3V3: R4.1
        {line}: U1.collector R4.2
        ground: U1.emitter
        """,
}
SWITCH = """
    {line}: R5.1 C1.1
    ground: C1.2 Z4.2
    3V3: R6.1
    behind R6: R6.2 D4.anode
    wire of the pressure switch: D4.cathode R5.2 Z4.1 switch.1
    engine: switch.2
    """
LOOP = """
    {line}: R9.1 C4.1
    ground: C4.2 Z5.2 {contact}.{second}
    3V3: R10.1
    behind R10: R10.2 D9.anode
    loop: D9.cathode R9.2 Z5.1 {contact}.{first}
    """
HEARTBEAT = """
    {line}: R7.1
    behind R7: R7.2 C2.1
    behind C2: C2.2 D5.cathode R11.1 D6.anode
    gate of Q2: D6.cathode C3.1 R8.1 Q2.gate
    source of Q1: Q2.drain
    ground: D5.anode R11.2 C3.2 R8.2 Q2.source
    """
GROUND = """
    ground: F2.1 R12.2 D10.anode
    supply minus: F2.2
    3V3: R12.1 D10.cathode
    """
GAUGE = """
    USB: G1.USB
    serial lead: G1.serial gauge.serial
    """


def netlist(setup: Setup) -> Netlist:
    """The connections of the rig of `setup`."""
    values = values_of(setup)
    circuit = Circuit(PRINTED)
    side = setup.coil.feed_side
    circuit.add(COIL[side], values)
    if side == "supply":
        end = "coil's lower end" if circuit_sensors.has_shunt(setup) else "supply minus"
        circuit.add(f"{end}: solenoid.lower", values)
    circuit.add(RELAY.format(line=gpio(setup.relay.line)), values)
    circuit.add("source of Q1: Q1.source" if setup.heartbeat else "ground: Q1.source", values)
    if setup.readback is not None:
        circuit.add(READBACK[side], values)
        circuit.add("supply minus: U1.cathode D3.anode", values)
        pin = READBACK_PIN[setup.readback.voltage_reads]
        circuit.add(pin.format(line=gpio(setup.readback.line)), values)
    line = gpio(setup.switch.line)
    if switch_as_drawn(setup):
        circuit.add(SWITCH.format(line=line), values)
    else:
        circuit.add(f"{line}: yours.pin", values, "switch")
    _loops(setup, circuit, values)
    if setup.heartbeat is not None:
        circuit.add(HEARTBEAT.format(line=gpio(setup.heartbeat.line)), values)
    circuit.add(GROUND, values)
    if setup.gauge is not None:
        circuit.add(GAUGE, values)
    circuit_sensors.add(setup, circuit)
    return circuit.done()


def switch_as_drawn(setup: Setup) -> bool:
    """Whether the switch's input can be wired as the pages say (R6 pulls up, the switch to
    ground)."""
    return setup.switch.pull == "external" and setup.switch_closed_level == 0


def loop_as_drawn(wired: LoopInput | ConfirmInput) -> bool:
    """The same for a loop or the confirm button."""
    return wired.pull == "external"


def loops_of(setup: Setup) -> dict[str, LoopInput | ConfirmInput]:
    """The loops and the button that are wired, by place."""
    tables = {"stop": setup.stop_input, "cover": setup.cover_input, "confirm": setup.confirm_input}
    return {place: wired for place, wired in tables.items() if wired is not None}


def _loops(setup: Setup, circuit: Circuit, values: dict[str, str]) -> None:
    for place, wired in loops_of(setup).items():
        line = gpio(wired.line)
        if not loop_as_drawn(wired):
            circuit.add(f"{line}: yours.pin", values, place)
            continue
        contact, first, second = LOOPS[place]
        lines = LOOP.format(line=line, contact=contact, first=first, second=second)
        circuit.add(lines, values, place)
