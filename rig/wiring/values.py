# SPDX-License-Identifier: MIT
"""What is printed beside each part: the value from the table of parts, or the setup's instead."""

from __future__ import annotations

from rig.config.analog.model import AnalogChannel
from rig.config.setup.model import Setup
from rig.wiring.parts import PARTS

SHOWN = ("F", "R", "C", "Z")
"""Kinds of parts with their value beside them; of the others it is a rating, for the parts list."""
DEVICES = ("solenoid", "switch", "gauge", "sensor", "yours")
"""Devices connected to the rig that are not in the table of parts."""


def values_of(setup: Setup) -> dict[str, str]:
    """What is printed beside every part of this rig, empty if only its name is."""
    values = {name: part.value if name[0] in SHOWN else "" for name, part in PARTS.items()}
    values |= dict.fromkeys(DEVICES, "")
    values["F1"] = amperes(setup.coil.fuse_a)
    if setup.converter is not None:
        values["U21"] = setup.converter.type
        values["U22"] = f"{setup.converter.reference_v:g} V"
    return values


def channel_values(setup: Setup, item: AnalogChannel) -> dict[str, str]:
    """The same for the parts of one channel of the converter."""
    values = values_of(setup)
    stated = {
        "R20": item.divider_upper_ohm,
        "R21": item.divider_lower_ohm,
        "R24": item.shunt_ohm if item.kind == "current loop" else None,
        "R31": item.series_resistor_ohm,
        "R32": item.shunt_ohm if item.kind == "shunt" else None,
    }
    return values | {part: ohms(value) for part, value in stated.items() if value is not None}


def ohms(value_ohm: float) -> str:
    """A resistance as the table of parts writes it: 2.2 k, 120 ohm, 1 M."""
    for factor, prefix in ((1e6, "M"), (1e3, "k")):
        if value_ohm >= factor:
            return f"{value_ohm / factor:.4g} {prefix}"
    return f"{value_ohm:.4g} ohm"


def amperes(value_a: float) -> str:
    """A current as the table of parts writes it."""
    return f"{value_a:.4g} A"
