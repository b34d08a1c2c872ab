# SPDX-License-Identifier: MIT
"""The simulated rig: its hidden fault, and the parameters of its physics (`[simulated]`).

Every value is invented, chosen to be plausible for an engine's oil-pressure solenoid with a spool
valve; none belongs to a product. The parts are in plant_parts.py.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from rig.config.plant.parts import (
    ConverterPart,
    ElectricPart,
    EnginePart,
    GalleryPart,
    GaugePart,
    OilPart,
    PlungerPart,
    RelayPart,
    SpoolPart,
    SupplyPart,
    SwitchPart,
)
from rig.config.quantity_types import TimeS
from rig.config.strict import Strict

FaultName = Literal[
    "none",
    "low oil pressure",
    "aerated oil",
    "cold oil",
    "oil pressure surge",
    "low supply voltage",
    "high-resistance joint",
    "open coil",
    "shorted turns",
    "fuse open",
    "contact welded",
    "relay dead",
    "driven by the vehicle",
    "stuck plunger",
    "sticking spool",
    "weak return spring",
    "clogged inlet screen",
    "leaking lock seals",
    "switch stuck open",
    "switch stuck closed",
    "switch chattering",
    "gauge silent",
    "gauge garbage",
    "gauge NaN",
    "gauge frozen",
    "gauge disconnected",
]


class SimulatedRig(Strict):
    """Parameters of the plant; every one has a default."""

    seed: int = Field(default=1, ge=0, le=2**63 - 1)
    """Of all scatter. The same seed and the same commands give the same edges and bytes."""
    fault: FaultName = "none"
    fault_after_s: TimeS = Field(alias="fault_after", default=3.0, ge=0, le=86_400)
    """When a fault that begins during the run begins: surge, weld, everything about the gauge."""
    electric: ElectricPart = ElectricPart()
    relay: RelayPart = RelayPart()
    plunger: PlungerPart = PlungerPart()
    spool: SpoolPart = SpoolPart()
    gallery: GalleryPart = GalleryPart()
    supply: SupplyPart = SupplyPart()
    oil: OilPart = OilPart()
    switch: SwitchPart = SwitchPart()
    gauge: GaugePart = GaugePart()
    converter: ConverterPart = ConverterPart()
    engine: EnginePart = EnginePart()
