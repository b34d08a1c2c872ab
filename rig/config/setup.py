# SPDX-License-Identifier: MIT
"""The setup: what is wired, and the limits (`*.setup.toml`). It names no valve."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from rig.config.plant import SimulatedRig
from rig.config.quantity_types import (
    CurrentA,
    Fraction,
    PressureKpa,
    ResistanceOhm,
    TimeS,
    VoltageV,
)


class Strict(BaseModel):
    """Unknown keys, coercions, NaN and infinity are refused; nothing changes after loading."""

    model_config = ConfigDict(
        extra="forbid", strict=True, frozen=True, allow_inf_nan=False, populate_by_name=True
    )


class CoilSetup(Strict):
    """The solenoid and what feeds it."""

    feed_side: Literal["supply", "ground"]
    supply_voltage_v: VoltageV = Field(alias="supply_voltage", gt=0, le=36)
    fuse_a: CurrentA = Field(alias="fuse", gt=0)
    resistance_ohm: ResistanceOhm = Field(alias="resistance", gt=0)
    """At 20 degC."""


class RelaySetup(Strict):
    """The relay line. Only active-high drivers: there is no active-level key."""

    line: int
    operate_delay_s: TimeS = Field(alias="operate_delay", default=0.010, ge=0)
    """Longest expected command-to-contact delay; the uncertainty where no read-back is wired."""
    release_delay_s: TimeS = Field(alias="release_delay", default=0.010, ge=0)


class SwitchSetup(Strict):
    """The pressure switch on a GPIO input."""

    line: int
    contact: Literal["normally open", "normally closed", "find"]
    pull: Literal["up", "down", "external"] = "up"
    closed_reads: Literal["low", "high"] | None = None
    """Electrical level of a closed contact; only needed, and then required, with pull external."""


class ReadbackSetup(Strict):
    """The load-side read-back: is there voltage at the relay's load terminal?"""

    line: int
    pull: Literal["up", "down", "external"] = "external"
    voltage_reads: Literal["low", "high"] = "high"
    """Electrical level of the input while the load terminal carries supply voltage."""


class GaugeSetup(Strict):
    """A pressure gauge on a serial port that sends lines at its own pace."""

    port: str
    pattern: str
    unit: str | None = None
    baud: int = 9600
    bytesize: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stopbits: Literal[1, 2] = 1
    period_s: TimeS = Field(alias="period", gt=0)
    """Time between readings, as the gauge sends them."""
    measuring_range_kpa: tuple[PressureKpa, PressureKpa] = Field(alias="measuring_range")
    """What the gauge can show; a reading outside it is not believed."""
    expected_range_kpa: tuple[PressureKpa, PressureKpa] = Field(alias="expected_range")
    """What a healthy run should show; the over-pressure limit must lie above it."""
    accuracy_kpa: PressureKpa | None = Field(alias="accuracy", default=None)
    latency_s: TimeS = Field(alias="latency", default=0.0, ge=0)
    """Age of a reading when its first byte is sent, as the maker states it."""


class Limits(Strict):
    """What the interlock holds the rig to."""

    pressure_kpa: PressureKpa | None = Field(alias="pressure", default=None)
    on_time_s: TimeS = Field(alias="on_time", default=10.0, gt=0)
    duty: Fraction = Field(default=0.6, gt=0, le=1)
    duty_window_s: TimeS = Field(alias="duty_window", default=60.0, gt=0)
    gauge_stale_s: TimeS | None = Field(alias="gauge_stale", default=None)
    """No good reading for longer trips; by default three gauge periods and at least 0.5 s."""
    readback_delay_s: TimeS = Field(alias="readback_delay", default=0.060, gt=0)
    """The read-back must follow the command within this time."""
    guard_time_s: TimeS = Field(alias="guard_time", default=0.5, gt=0, le=0.5)
    link_time_s: TimeS = Field(alias="link_time", default=0.3, gt=0, le=0.3)


class Setup(Strict):
    """One rig as wired."""

    title: str = ""
    backend: Literal["board", "simulated"]
    medium: Literal["oil", "air"]
    chip: str = "pinctrl-rp1"
    """Label of the GPIO chip, as the kernel names it."""
    coil: CoilSetup
    relay: RelaySetup
    switch: SwitchSetup
    readback: ReadbackSetup | None = None
    gauge: GaugeSetup | None = None
    limits: Limits = Limits()
    simulated: SimulatedRig | None = None
