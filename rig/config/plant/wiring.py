# SPDX-License-Identifier: MIT
"""`[simulated.wiring]`: how the simulated rig is really wired and set, if that differs from the
setup. The bench and the analysis use the setup; the plant uses this."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from rig.config.gauge.model import PressureUnit
from rig.config.quantity_types import FrequencyHz, ListAsTuple, TimeS, refuse
from rig.config.strict import Strict

TimedLine = Literal["switch", "readback", "engine_speed"]
LoopName = Literal["stop_input", "cover_input"]


class WiringPart(Strict):
    """A key left out: as the setup says. The real type of the switch's contact is in
    `[simulated.switch]`."""

    feed_side: Literal["supply", "ground"] | None = None
    """The side of the coil that the relay really switches."""
    switch_closed_reads: Literal["low", "high"] | None = None
    """Electrical level of the switch input while the contact is closed."""
    readback_voltage_reads: Literal["low", "high"] | None = None
    """Electrical level of the read-back while the load terminal carries voltage."""
    swapped: Annotated[tuple[TimedLine, ...], ListAsTuple] = ()
    """Two inputs whose wires are swapped, each with its own level."""
    switch_wire: Literal["open", "shorted"] | None = None
    """Between the switch and the input, for good."""
    switch_wire_rate_hz: FrequencyHz = Field(alias="switch_wire_rate", default=0.0, ge=0, le=1e3)
    """How often a chafed wire of the switch opens or touches its return, both equally often,
    whatever the contact does."""
    switch_wire_time_s: TimeS = Field(alias="switch_wire_time", default=0.008, gt=0, le=1)
    """Mean duration."""
    timing_loop: bool = False
    """For `rig calibrate --timing`: a resistor in place of the coil, and an input circuit like the
    read-back's that drives the switch input as a sound switch's contact would, on while the coil
    would be live."""
    readback_lag_live_s: TimeS = Field(alias="readback_lag_live", default=0.0, ge=0, le=0.1)
    """Lag from the load side's change to the input's; likewise below."""
    readback_lag_dead_s: TimeS = Field(alias="readback_lag_dead", default=0.0, ge=0, le=0.1)
    switch_lag_close_s: TimeS = Field(alias="switch_lag_close", default=0.0, ge=0, le=0.1)
    switch_lag_open_s: TimeS = Field(alias="switch_lag_open", default=0.0, ge=0, le=0.1)
    lag_spread_s: TimeS = Field(alias="lag_spread", default=0.0, ge=0, le=0.01)
    """Standard deviation of each lag, edge to edge."""
    heartbeat_hold_s: TimeS = Field(alias="heartbeat_hold", default=0.27, gt=0, le=60)
    """How long the heartbeat circuit feeds the relay's driver after its line's last change: 47 k
    and 4.7 uF from 2.7 V to 0.8 V."""
    heartbeat_bypassed: bool = False
    """The driver's ground lead does not go through the heartbeat circuit."""
    opened: Annotated[tuple[LoopName, ...], ListAsTuple] = ()
    """Loops whose contact is open: the stop is pressed, the cover is off."""
    bridged: Annotated[tuple[LoopName, ...], ListAsTuple] = ()
    """Loops with a wire past their contact: the input never sees it open."""
    gauge_unit: PressureUnit | None = None
    """The unit the gauge really counts in, whatever its lines or the setup say."""
    gauge_decimal: Literal["point", "comma"] | None = None

    @model_validator(mode="after")
    def _swapped_is_a_pair(self) -> Self:
        if self.swapped and (len(self.swapped) != 2 or self.swapped[0] == self.swapped[1]):
            raise refuse(
                "swapped names the two inputs that have changed places",
                'write two of them, like swapped = ["switch", "readback"]',
            )
        return self
