# SPDX-License-Identifier: MIT
"""Remarks beside a drawing: what it leaves out, and why."""

from __future__ import annotations

import math
from collections.abc import Iterator

from rig.config.analog.model import AnalogChannel
from rig.config.setup.model import Setup
from rig.wiring import circuit_sensors
from rig.wiring.circuit import loop_as_drawn, loops_of, switch_as_drawn
from rig.wiring.parts import PARTS
from rig.wiring.values import amperes

USES = {"stop": "stop_input", "cover": "cover_input", "confirm": "confirm_input"}
LARGEST_FUSE_A = PARTS["F1"].si
"""What wire, D7 and contact of the parts list carry."""

SIMULATED_SUPPLY_V = (11.0, 16.0)
"""Range of the claims in hardware/circuits."""


def cautions() -> list[str]:
    """Before anything is connected."""
    return [
        "Fuse out and solenoid unplugged until every joint was followed with a meter; then a lamp "
        "in place of the solenoid. The order is that of hardware/README.md, Commissioning.",
        "Neither drawing nor program is a safety function: F1, S0, K1 and the relief valve are. "
        "The vehicle's control unit is unplugged from the solenoid and from the switch.",
    ]


def remarks(setup: Setup) -> list[str]:
    """What this setup leaves out, or wires differently from the pages; the most important first."""
    return [*_relay_side(setup), *_inputs(setup), *_sensors(setup)]


def _relay_side(setup: Setup) -> Iterator[str]:
    if setup.backend == "simulated":
        yield "SIMULATED: this setup drives no hardware; a rig that it describes would be wired so."
    if setup.coil.fuse_a > LARGEST_FUSE_A:
        yield (
            f"F1 of {amperes(setup.coil.fuse_a)} is more than wire, D7 and the other parts of the "
            f"list are for ({amperes(LARGEST_FUSE_A)}): choose them anew (rig calc protect)."
        )
    low_v, high_v = SIMULATED_SUPPLY_V
    if not low_v <= setup.coil.supply_voltage_v <= high_v:
        yield (
            f"A supply of {setup.coil.supply_voltage_v:g} V: the circuits are simulated for "
            f"{low_v:g} to {high_v:g} V. Choose Z1, K1, D7 and what reads LOAD (R3, or Z3 and R15) "
            "anew (rig calc contact, rig calc clamp)."
        )
    if setup.readback is None:
        yield (
            "No read-back: U1 and its parts are left out, a welded contact is not seen, and every "
            'text says "commanded off, not confirmed".'
        )
    elif setup.readback.voltage_reads == "low":
        yield (
            "Read-back with voltage_reads low: U1 pulls the pin down. Only the other way round is "
            "simulated, and there a wire that comes off reads as no voltage."
        )
    if setup.heartbeat is None:
        yield (
            "No heartbeat circuit: a computer that freezes whole, or both programs killed at once, "
            "leaves the relay as it was."
        )
    if setup.stop_input is None:
        yield "No stop input: the second contact of S0 stays free; the stop works without it."


def _inputs(setup: Setup) -> Iterator[str]:
    if not switch_as_drawn(setup):
        yield (
            f'[switch] pull = "{setup.switch.pull}", closed reads '
            f"{'high' if setup.switch_closed_level else 'low'}: there is no drawing of that. "
            f"Through {PARTS['R5'].label} the pin's own pull would hold against a closed switch "
            '(1.0 to 1.7 V). Wire R6 and D4 and write pull = "external", closed_reads = "low", or '
            "draw your own."
        )
    for place, wired in loops_of(setup).items():
        if not loop_as_drawn(wired):
            yield (
                f'[{USES[place]}] pull = "{wired.pull}": there is no drawing of that. Through '
                f"{PARTS['R9'].label} the pin's own pull would hold against the loop. Wire R10 and "
                'D9 and write pull = "external", or draw your own.'
            )


def _sensors(setup: Setup) -> Iterator[str]:
    chip = setup.converter
    if chip is not None:
        yield "Inputs of the converter that are not used: to ground (common practice, no source)."
        if circuit_sensors.minus_inputs(setup, chip):
            yield (
                "The minus input of a pair is drawn at ground: lead it as a wire of its own to the "
                "sensor's ground."
            )
        if chip.type in circuit_sensors.SUPPLY_IS_REFERENCE:
            yield (
                f"The {chip.type} measures against its supply (from memory): its 3.3 V is noisy "
                "and off by some percent; write what you measure there as its reference."
            )
        for item in setup.analog:
            yield from _channel(setup, item)
    if setup.engine_speed is not None:
        yield (
            "Never wire the ignition's primary to the board; an inductive clamp around a spark "
            "lead wants a shaper before R27."
        )


def _channel(setup: Setup, item: AnalogChannel) -> Iterator[str]:
    if circuit_sensors.own_circuit(setup, item):
        yield (
            f"{item.channel}: a shunt to ground would stand beyond the relay's contact on feed "
            "side ground. Use a hall sensor, or an amplifier made for the high side; it is not "
            "drawn."
        )
    if item.kind == "current loop":
        yield (
            f"{item.channel}: with a loop supply of 24 V, {PARTS['R25'].label} as well, between "
            "F21 and the sensor."
        )
    corner_hz = low_pass_hz(item)
    if item.fast and corner_hz is not None:
        shown = f"{float(f'{corner_hz:.3g}'):g}"
        yield (
            f"{item.channel}: low-pass of {shown} Hz before the converter; every fast time "
            f"is late by {1e3 / (2 * math.pi * corner_hz):.2g} ms."
        )


def low_pass_hz(item: AnalogChannel) -> float | None:
    """Corner frequency of the circuit before an input, 1 / (2 pi R C): R of the divider and of the
    resistor after it (any textbook). None if it depends on the sensor's own resistance."""
    if item.kind in ("thermistor", "platinum"):
        return None
    if item.kind == "current loop":
        ohm = PARTS["R26"].si
    else:
        upper, lower = item.divider_upper_ohm, item.divider_lower_ohm
        ohm = 0.0 if upper is None or lower is None else upper * lower / (upper + lower)
        ohm += PARTS[circuit_sensors.series_of(item)].si
    capacitor = "C21" if item.kind == "current loop" else circuit_sensors.capacitor_of(item)
    return 1.0 / (2.0 * math.pi * ohm * PARTS[capacitor].si)
