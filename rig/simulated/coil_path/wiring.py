# SPDX-License-Identifier: MIT
"""How the relay's contact, fuse, coil and inputs are really wired: what is live, and what the
inputs read. From `[simulated.wiring]`, and from the setup where that is silent."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from rig.config.plant.model import SimulatedRig
from rig.config.setup.model import Setup
from rig.core.records import SWITCH
from rig.physics import feed
from rig.simulated.coil_path.switch_wire import OPEN, SOUND

SWITCH_WIRE = "switch wire"
"""A source beside the lines: the state of the switch's wire (switch_wire.py)."""


class Wiring:
    """Levels are electrical (1 = high)."""

    def __init__(self, setup: Setup, rig: SimulatedRig) -> None:
        electric, really = rig.electric, rig.wiring
        self._side: feed.FeedSide = really.feed_side or setup.coil.feed_side
        self._fuse_ok = not electric.fuse_open
        self._coil_connected = electric.coil_connected and electric.connector_on
        load_ohm = electric.coil_resistance_ohm or setup.coil.resistance_ohm
        load_ohm += electric.wiring_resistance_ohm
        self._sags = self._coil_connected and self._side == "supply"
        self._sags = self._sags and electric.fuse_resistance_ohm > load_ohm
        """More than half of the voltage is lost before the load terminal while current flows."""
        self._vehicle = electric.driven_by_vehicle
        says = "high" if setup.readback is None else setup.readback.voltage_reads
        self._voltage_level = int((really.readback_voltage_reads or says) == "high")
        self._closed_level = setup.switch_closed_level
        if really.switch_closed_reads is not None:
            self._closed_level = int(really.switch_closed_reads == "high")
        self._swapped: dict[str, str] = dict(
            zip(really.swapped, reversed(really.swapped), strict=True)
        )
        self.plain = not (
            really.swapped or really.switch_wire is not None or really.switch_wire_rate_hz
        )
        """Each source is the line of its name, and its level is the line's."""

    def live_changes(self, contacts: Iterable[tuple[float, bool]]) -> list[tuple[float, bool]]:
        """Convert (s, contact closed) to (s, current can flow in the coil), without repetitions."""
        row: list[tuple[float, bool]] = []
        for t_s, closed in contacts:
            live = self.coil_live(closed)
            if not row or row[-1][1] != live:
                row.append((t_s, live))
        return row

    def coil_live(self, contact_closed: bool) -> bool:
        """Current can flow in the coil, or in the resistor that replaces it."""
        return feed.coil_is_live(
            self._side,
            contact_closed=contact_closed,
            fuse_ok=self._fuse_ok,
            coil_connected=self._coil_connected,
            vehicle=self._vehicle,
        )

    def readback_level(self, contact_closed: bool) -> int:
        """Level of the read-back input."""
        voltage = feed.load_voltage_present(
            self._side,
            contact_closed=contact_closed,
            fuse_ok=self._fuse_ok and not self._sags,
            coil_connected=self._coil_connected,
            vehicle=self._vehicle,
        )
        return self._voltage_level if voltage else 1 - self._voltage_level

    def switch_level(self, closed: bool) -> int:
        """Level of the switch input, with its wire sound."""
        return self._closed_level if closed else 1 - self._closed_level

    def seen(self, source: str, sources: Mapping[str, int]) -> tuple[str, int]:
        """The line that `source` reaches, and its level; `sources` are the present levels of all
        sources."""
        if source in (SWITCH, SWITCH_WIRE):
            source, level = SWITCH, sources[SWITCH]
            wire = sources.get(SWITCH_WIRE, SOUND)
            if wire != SOUND:
                level = self.switch_level(wire != OPEN)
        else:
            level = sources[source]
        return self._swapped.get(source, source), level
