# SPDX-License-Identifier: MIT
"""Parts of a setup that the interlock watches: limits, loops, heartbeat, coil heating."""

from __future__ import annotations

from pydantic import Field

from rig.config.analog.model import AnalogLimits
from rig.config.quantity_types import (
    Fraction,
    PressureKpa,
    PressureRateKpaS,
    TemperatureDegc,
    ThermalResistanceKW,
    TimeS,
    VoltageV,
)
from rig.config.setup.release import READBACK_DELAY_S, Pull
from rig.config.strict import Strict

LoopPull = Pull
"""What pulls a loop's line while the loop is open. Only "external" works with a resistor of tens of
kilohms before the pin, as in hardware/README.md: the pin's own pull would work against it."""


class LoopInput(Strict):
    """A loop through a normally closed contact: closed lets the rig run, open or broken stops it.

    With pull "external" (a resistor of the wiring) or "up" (the pin's own) the loop leads to ground
    and reads low while closed; with "down" it leads to 3.3 V and reads high. A broken wire then
    reads as open. There is no other way to wire it.
    """

    line: int
    pull: LoopPull = "up"


class ConfirmInput(Strict):
    """A push button at the rig, normally open: a person arming from a page presses it first.

    With pull "external" or "up" the button leads to ground, with "down" to 3.3 V.
    """

    line: int
    pull: LoopPull = "up"


class HeartbeatSetup(Strict):
    """A line that only the interlock's loop toggles; its circuit feeds the relay driver."""

    line: int


class CoilHeating(Strict):
    """How warm the coil gets: one thermal mass, heated by its own current."""

    thermal_resistance_k_w: ThermalResistanceKW = Field(alias="thermal_resistance", gt=0)
    """Kelvin above ambient for each watt, in the steady state."""
    time_constant_s: TimeS = Field(alias="time_constant", gt=0)
    surroundings_degc: TemperatureDegc = Field(alias="surroundings")
    """Temperature of its surroundings: on a warm engine the oil's temperature."""
    temperature_limit_degc: TemperatureDegc = Field(alias="temperature_limit")


class Limits(AnalogLimits):
    """The limits enforced by the interlock."""

    pressure_kpa: PressureKpa | None = Field(alias="pressure", default=None)
    on_time_s: TimeS = Field(alias="on_time", default=10.0, gt=0)
    duty: Fraction = Field(default=0.6, gt=0, le=1)
    duty_window_s: TimeS = Field(alias="duty_window", default=60.0, gt=0)
    gauge_stale_s: TimeS | None = Field(alias="gauge_stale", default=None)
    """Trips when there is no good reading for longer; by default three gauge periods and at least
    0.5 s."""
    readback_delay_s: TimeS = Field(alias="readback_delay", default=READBACK_DELAY_S, gt=0)
    """The read-back must follow the command within this time."""
    pressure_rate_kpa_s: PressureRateKpaS | None = Field(alias="pressure_rate", default=None, gt=0)
    """Fastest pressure rise allowed outside the response to a stroke."""
    answer_time_s: TimeS = Field(alias="answer_time", default=0.5, gt=0)
    """After each command the pressure may rise at any rate for this long."""
    gauge_stuck_strokes: int = Field(default=10, ge=3, le=1000)
    """Number of strokes that the switch answered without any change of the reading."""
    oil_temperature_degc: TemperatureDegc | None = Field(alias="oil_temperature", default=None)
    supply_voltage_min_v: VoltageV | None = Field(alias="supply_voltage_min", default=None, ge=0)
    supply_voltage_max_v: VoltageV | None = Field(alias="supply_voltage_max", default=None, gt=0)
    loop_late_s: TimeS = Field(alias="loop_late", default=0.25, gt=0, le=0.5)
    """Longest delay of the bench's own tick before the run is ended."""
    recorder_lag_s: TimeS = Field(alias="recorder_lag", default=5.0, ge=0.5, le=30)
    """Longest time that records may wait for the disk before the run is ended."""
    disk_free_mb: int = Field(default=64, ge=16)
    """Less free space than this on the data disk ends the run."""
    guard_time_s: TimeS = Field(alias="guard_time", default=0.5, gt=0, le=0.5)
    link_time_s: TimeS = Field(alias="link_time", default=0.3, gt=0, le=0.3)
