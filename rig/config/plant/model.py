# SPDX-License-Identifier: MIT
"""The simulated rig: its hidden faults, and the parameters of its physics (`[simulated]`).

Every value is invented, chosen to be plausible for an engine's oil-pressure solenoid with a spool
valve; none belongs to a product. The parts are in parts.py.
"""

from __future__ import annotations

from pydantic import Field

from rig.config.plant.fault_names import Faults
from rig.config.plant.parts import (
    ConverterPart,
    ElectricPart,
    EnginePart,
    GalleryPart,
    GaugePart,
    LocksPart,
    OilPart,
    PlungerPart,
    RelayPart,
    SpoolPart,
    SupplyPart,
    SwitchPart,
)
from rig.config.plant.wiring import WiringPart
from rig.config.quantity_types import TimeS
from rig.config.strict import Strict


class SimulatedRig(Strict):
    """Parameters of the plant; every one has a default."""

    seed: int = Field(default=1, ge=0, le=2**63 - 1)
    """Seed of all scatter. The same seed and the same commands give the same edges and bytes."""
    fault: Faults = Field(default=(), examples=['"clogged inlet screen:0.6"'])
    """Its faults and their severity: none, one or several."""
    fault_after_s: TimeS = Field(alias="fault_after", default=3.0, ge=0, le=86_400)
    """Start of a fault that begins during the run: surge, weld, a gauge that fails."""
    wiring: WiringPart = WiringPart()
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
    locks: LocksPart = LocksPart()
