# SPDX-License-Identifier: MIT
"""The setup: what is wired, and the limits (`*.setup.toml`). It names no valve."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from rig.config.analog.model import AnalogChannel, ConverterSetup, EngineSpeedSetup
from rig.config.analog.pressure import PressureSource, converter_pressure
from rig.config.gauge.calibration import CalibrationSetup
from rig.config.gauge.model import GaugeSetup
from rig.config.plant.model import SimulatedRig
from rig.config.quantity_types import CurrentA, ListAsTuple, ResistanceOhm, TimeS, VoltageV
from rig.config.setup.release import CHIP, PULL, VOLTAGE_READS, Pull, coil_live_level
from rig.config.setup.safeguards import CoilHeating, ConfirmInput, HeartbeatSetup, Limits, LoopInput
from rig.config.setup.timing import TimingSetup
from rig.config.strict import Strict
from rig.core.reader_units import SI, Pressure, Temperature

STALE_MIN_S = 0.5
STALE_PERIODS = 3
LEAST_SHARE = 0.1
"""A relay's shortest delay as a fraction of its longest, if nobody states one: no armature moves in
zero time (common practice, no source)."""


class CoilSetup(Strict):
    """The solenoid and its supply."""

    feed_side: Literal["supply", "ground"]
    supply_voltage_v: VoltageV = Field(alias="supply_voltage", gt=0, le=36)
    fuse_a: CurrentA = Field(alias="fuse", gt=0)
    resistance_ohm: ResistanceOhm = Field(alias="resistance", gt=0)
    """At 20 degC."""


class RelaySetup(Strict):
    """The relay line. Only active-high drivers: there is no active-level key."""

    line: int
    operate_delay_s: TimeS = Field(alias="operate_delay", default=0.010, ge=0)
    """Longest expected command-to-contact delay; with the shortest, the uncertainty if no read-back
    is wired."""
    release_delay_s: TimeS = Field(alias="release_delay", default=0.010, ge=0)
    operate_delay_least_s: TimeS | None = Field(alias="operate_delay_least", default=None, ge=0)
    """Shortest; left out: LEAST_SHARE of the longest."""
    release_delay_least_s: TimeS | None = Field(alias="release_delay_least", default=None, ge=0)

    @property
    def operate_range_s(self) -> tuple[float, float]:
        """Shortest and longest time from command to closed contact, as stated or assumed."""
        return _least(self.operate_delay_least_s, self.operate_delay_s), self.operate_delay_s

    @property
    def release_range_s(self) -> tuple[float, float]:
        """Shortest and longest time from command to open contact, as stated or assumed."""
        return _least(self.release_delay_least_s, self.release_delay_s), self.release_delay_s


def _least(stated_s: float | None, most_s: float) -> float:
    return LEAST_SHARE * most_s if stated_s is None else stated_s


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
    pull: Pull = PULL
    voltage_reads: Literal["low", "high"] = VOLTAGE_READS
    """Electrical level of the input while the load terminal carries supply voltage."""


class UnitsSetup(Strict):
    """The units that people at this rig read. Only what is shown to them depends on it."""

    pressure: Pressure = SI.pressure
    temperature: Temperature = SI.temperature


class Setup(Strict):
    """One rig as wired."""

    title: str = ""
    backend: Literal["board", "simulated"]
    medium: Literal["oil", "air"]
    chip: str = Field(default=CHIP, min_length=1)
    """Label of the GPIO chip, as the kernel names it."""
    coil: CoilSetup
    relay: RelaySetup
    switch: SwitchSetup
    readback: ReadbackSetup | None = None
    gauge: GaugeSetup | None = None
    converter: ConverterSetup | None = None
    analog: Annotated[tuple[AnalogChannel, ...], ListAsTuple] = ()
    """What is wired to the converter's inputs."""
    engine_speed: EngineSpeedSetup | None = None
    calibration: CalibrationSetup | None = None
    """Of the pressure."""
    timing: TimingSetup | None = None
    """Of the rig's own times."""
    stop_input: LoopInput | None = None
    """Auxiliary contact of the mushroom stop."""
    cover_input: LoopInput | None = None
    """Contact of a guard cover."""
    confirm_input: ConfirmInput | None = None
    """A push button at the rig; without it nothing can be armed from a page."""
    heartbeat: HeartbeatSetup | None = None
    coil_heating: CoilHeating | None = None
    limits: Limits = Limits()
    units: UnitsSetup | None = None
    simulated: SimulatedRig | None = None
    """Only with backend simulated, where it is never None."""

    @model_validator(mode="before")
    @classmethod
    def _simulated_has_defaults(cls, data: object) -> object:
        if isinstance(data, dict) and data.get("backend") == "simulated":
            return {"simulated": {}} | {k: v for k, v in data.items() if v is not None}
        return data

    @property
    def switch_closed_level(self) -> int:
        """Electrical level (0 or 1) of the switch input while its contact is closed."""
        if self.switch.pull == "external":
            return int(self.switch.closed_reads == "high")
        return int(self.switch.pull == "down")

    def analog_of(self, channel: str) -> AnalogChannel | None:
        """The converter's source for `channel`, if any."""
        return next((item for item in self.analog if item.channel == channel), None)

    @property
    def pressure_source(self) -> GaugeSetup | PressureSource | None:
        """The source of the pressure channel: the gauge, or the converter; None if there is
        none."""
        if self.gauge is not None:
            return self.gauge
        return converter_pressure(self.analog, self.converter)

    @property
    def lines(self) -> dict[str, int]:
        """The GPIO line of every table that names one."""
        tables = {
            "relay": self.relay,
            "switch": self.switch,
            "readback": self.readback,
            "stop_input": self.stop_input,
            "cover_input": self.cover_input,
            "confirm_input": self.confirm_input,
            "heartbeat": self.heartbeat,
            "engine_speed": self.engine_speed,
        }
        return {table: wired.line for table, wired in tables.items() if wired is not None}

    @property
    def wired_for_timing(self) -> str:
        """What the rig's own times depend on: lines, pulls, levels and relay."""
        relay, switch, readback = self.relay, self.switch, self.readback
        said = [
            f"chip {self.chip}",
            f"feed side {self.coil.feed_side}",
            f"relay {relay.line}"
            + "".join(
                f", {name} {1e3 * least_s:g} to {1e3 * most_s:g} ms"
                for name, (least_s, most_s) in (
                    ("operates", relay.operate_range_s), ("releases", relay.release_range_s),
                )
            ),
            f"switch {switch.line}, pull {switch.pull}, closed reads {self.switch_closed_level}",
        ]  # fmt: skip
        if readback is not None:
            live = self.coil_live_level
            said.append(f"read-back {readback.line}, pull {readback.pull}, live reads {live}")
        return "; ".join(said)

    @property
    def coil_live_level(self) -> int:
        """Electrical level (0 or 1) of the read-back input while coil current can flow; 1 if no
        read-back is wired."""
        if self.readback is None:
            return 1
        return coil_live_level(self.readback.voltage_reads, self.coil.feed_side)

    @property
    def gauge_stale_s(self) -> float:
        """Age at which a reading is stale, seconds: as set, else three gauge periods and at
        least 0.5 s. Without a gauge no rule uses it."""
        if self.limits.gauge_stale_s is not None:
            return self.limits.gauge_stale_s
        source = self.pressure_source
        return max(STALE_MIN_S, STALE_PERIODS * source.period_s if source is not None else 0.0)

    @property
    def coil_current_a(self) -> float:
        """Largest steady coil current, ampere: supply voltage over the cold (20 degC) resistance
        (Ohm's law); a warm coil draws less."""
        return self.coil.supply_voltage_v / self.coil.resistance_ohm
