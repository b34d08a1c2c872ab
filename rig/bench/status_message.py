# SPDX-License-Identifier: MIT
"""The status message to the desks: ten times a second, and every turn once a stop was ordered."""

from __future__ import annotations

from collections.abc import Mapping

from rig.bench.interlock.interlock import Interlock
from rig.core import messages
from rig.core.records import OFF_STATES, Sample, Step
from rig.physics.feed import confirmed_off

NS = 1_000_000_000
STATUS_NS = NS // 10


class StatusTeller:
    """Builds the status line when it is due."""

    def __init__(self) -> None:
        self._next_ns = 0

    def line(
        self,
        now_ns: int,
        state: str,
        step: Step,
        interlock: Interlock,
        readings: Mapping[str, Sample],
        lag_s: float,
        *,
        at_once: bool = False,
    ) -> str | None:
        """The status as a telling; None until it is due again, unless wanted at once."""
        if now_ns < self._next_ns and not at_once:
            return None
        self._next_ns = now_ns + STATUS_NS
        pressure = readings.get("pressure")
        return messages.tell(
            "status",
            state=state,
            t_ns=now_ns,
            step=step.name,
            number=step.number,
            commanded_on=interlock.energised,
            coil_live=interlock.load_live(),
            confirmed_off=OFF_STATES[1]  # also after a trip later than the reported `tripped`
            if interlock.readback_doubted
            else confirmed_off(interlock.setup.coil.feed_side),
            switch_closed=interlock.switch_closed(),
            pressure_kpa=pressure.value if pressure else None,
            pressure_age_s=(now_ns - pressure.t_ns) / NS if pressure else None,
            tripped=interlock.trip.rule if interlock.trip else None,
            lag_s=lag_s,
            channels={
                name: [reading.value, (now_ns - reading.t_ns) / NS]
                for name, reading in readings.items()
                if name != "pressure"
            },
        )
