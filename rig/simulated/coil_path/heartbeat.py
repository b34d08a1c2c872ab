# SPDX-License-Identifier: MIT
"""The heartbeat circuit: a charge pump in the ground lead of the relay's driver. It feeds the
driver from a change of its line until its hold time passes without another change."""

from __future__ import annotations

from rig.config.plant.wiring import WiringPart
from rig.simulated.outbox import NEVER


class HeartbeatPump:
    """Times in ns. It starts without charge, so a high relay line moves nothing before the first
    change."""

    def __init__(self, part: WiringPart) -> None:
        self._hold_ns = round(1e9 * part.heartbeat_hold_s)
        self._always = part.heartbeat_bypassed
        self.feeds = self._always
        self._empty_ns = self.next_ns = NEVER
        """When the charge is gone if nothing changes; and when to check next. A change moves only
        the first: it costs the plant nothing."""

    def changed(self, t_ns: int) -> bool:
        """The line changed its level; returns whether the driver is only now fed."""
        if self._always:
            return False
        self._empty_ns = t_ns + self._hold_ns
        if self.feeds:
            return False
        self.feeds, self.next_ns = True, self._empty_ns
        return True

    def look(self) -> bool:
        """Handle `next_ns`; returns whether the driver is no longer fed."""
        if self._empty_ns > self.next_ns:
            self.next_ns = self._empty_ns
            return False
        self.feeds, self.next_ns = False, NEVER
        return True
