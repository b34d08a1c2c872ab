# SPDX-License-Identifier: MIT
"""How the relay's contact, fuse and coil are wired: what is live, and what the inputs read."""

from __future__ import annotations

from collections.abc import Iterable

from rig.config.plant.parts import ElectricPart
from rig.config.setup.model import Setup
from rig.physics import feed


class Wiring:
    """Levels are electrical (1 = high)."""

    def __init__(self, setup: Setup, electric: ElectricPart) -> None:
        self._side: feed.FeedSide = setup.coil.feed_side
        self._fuse_ok = not electric.fuse_open
        self._coil_connected = electric.coil_connected
        self._vehicle = electric.driven_by_vehicle
        self._voltage_level = int(setup.readback is None or setup.readback.voltage_reads == "high")
        self._closed_level = setup.switch_closed_level

    def live_changes(self, contacts: Iterable[tuple[float, bool]]) -> list[tuple[float, bool]]:
        """(s, contact closed) as (s, current can flow in the coil), with no repetitions."""
        row: list[tuple[float, bool]] = []
        for t_s, closed in contacts:
            live = feed.coil_is_live(
                self._side,
                contact_closed=closed,
                fuse_ok=self._fuse_ok,
                coil_connected=self._coil_connected,
                vehicle=self._vehicle,
            )
            if not row or row[-1][1] != live:
                row.append((t_s, live))
        return row

    def readback_level(self, contact_closed: bool) -> int:
        """Level of the read-back input."""
        voltage = feed.load_voltage_present(
            self._side,
            contact_closed=contact_closed,
            fuse_ok=self._fuse_ok,
            coil_connected=self._coil_connected,
            vehicle=self._vehicle,
        )
        return self._voltage_level if voltage else 1 - self._voltage_level

    def switch_level(self, closed: bool) -> int:
        """Level of the switch input."""
        return self._closed_level if closed else 1 - self._closed_level
