# SPDX-License-Identifier: MIT
"""The analogue converter, what is wired to its inputs, and the engine speed's pulse line."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from rig.config.quantity_types import (
    CurrentA,
    CurrentRangeA,
    Fraction,
    FrequencyHz,
    ListAsTuple,
    PressureKpa,
    PressureRangeKpa,
    ResistanceOhm,
    RotationRpm,
    TemperatureRangeDegc,
    TimeS,
    VoltageRangeV,
    VoltageV,
)
from rig.config.strict import Strict

Chip = Literal[
    "MCP3001",
    "MCP3002",
    "MCP3004",
    "MCP3008",
    "MCP3201",
    "MCP3202",
    "MCP3204",
    "MCP3208",
    "MCP3301",
    "MCP3302",
    "MCP3304",
]
"""Supported converter types, by the names on their housings."""

INPUTS: dict[str, int] = {
    "MCP3001": 1,
    "MCP3002": 2,
    "MCP3004": 4,
    "MCP3008": 8,
    "MCP3201": 1,
    "MCP3202": 2,
    "MCP3204": 4,
    "MCP3208": 8,
    "MCP3301": 1,
    "MCP3302": 4,
    "MCP3304": 8,
}
"""Inputs of each chip, counted from 0 in the setup."""

SPI_LINES: dict[int, dict[str, int]] = {
    0: {"clock": 11, "data in": 10, "data out": 9, "select 0": 8, "select 1": 7},
    1: {"clock": 21, "data in": 20, "data out": 19, "select 0": 18, "select 1": 17},
}
"""GPIO lines of both SPI ports per the board's documentation (from memory). "data in" is the
converter's."""

ALWAYS_DIFFERENTIAL = ("MCP3001", "MCP3201", "MCP3301")
"""Chips whose one input is a pair."""

AnalogKind = Literal[
    "ratiometric",
    "linear",
    "current loop",
    "thermistor",
    "platinum",
    "voltage",
    "shunt",
    "hall",
]
AnalogName = Literal[
    "pressure",
    "oil_temperature",
    "supply_voltage",
    "coil_current",
    "cylinder_pressure",
    "sensor_supply",
]


FAST_PERIOD_S = 0.01
"""Longest interval at which readings of a fast channel reach the interlock (rig.bench.pacing)."""


def bits_of(chip: str) -> int:
    """Resolution of a single-ended reading of the chip."""
    return 10 if chip.startswith("MCP30") else 12


class ConverterSetup(Strict):
    """`[converter]`: an analogue-to-digital converter on the SPI bus."""

    type: Chip
    port: int = Field(default=0, ge=0, le=1)
    device: int = Field(default=0, ge=0, le=1)
    """Its chip-select: CE0 or CE1."""
    reference_v: VoltageV = Field(alias="reference", gt=0, le=5.5)
    reference_tolerance: Fraction = Field(default=0.005, ge=0, le=0.1)
    """Half width of the reference's error, as a fraction of it."""
    nonlinearity_lsb: float = Field(default=1.0, ge=0, le=16)
    """Largest error of a code per the data sheet, in codes (a plain number)."""
    oversampling: int = Field(default=1, ge=1, le=64)
    """Number of conversions summed into one reading of a channel."""
    rate_hz: FrequencyHz | None = Field(alias="rate", default=None, gt=0, le=20_000)
    """Maximum rounds of the fast channels per second. Left out: as fast as can be sustained."""


class AnalogChannel(Strict):
    """`[[analog]]`: what is wired to one input of the converter. rig.config.analog.rules checks
    which keys belong to which kind."""

    channel: AnalogName
    input: int = Field(ge=0, le=7)
    kind: AnalogKind
    differential: bool = False
    fast: bool = False
    """Sampled in every round and recorded in blocks; else once a period."""
    period_s: TimeS = Field(alias="period", default=0.1, ge=0.01, le=10)
    oversampling: int | None = Field(default=None, ge=1, le=64)
    """Left out: as the converter's."""

    divider_upper_ohm: ResistanceOhm | None = Field(alias="divider_upper", default=None, gt=0)
    """Resistor from the signal to the input."""
    divider_lower_ohm: ResistanceOhm | None = Field(alias="divider_lower", default=None, gt=0)
    """Resistor from the input to ground."""
    resistor_tolerance: Fraction = Field(default=0.01, ge=0, le=0.2)
    """Half width of the tolerance of each resistor of this channel."""

    pressure_range_kpa: PressureRangeKpa | None = Field(alias="pressure_range", default=None)
    temperature_range_degc: TemperatureRangeDegc | None = Field(
        alias="temperature_range", default=None
    )
    current_range_a: CurrentRangeA | None = Field(alias="current_range", default=None)
    """The sensor's range: its reading at the lower and the upper end of its signal."""
    expected_range_kpa: PressureRangeKpa | None = Field(alias="expected_range", default=None)
    """For the channel pressure: what a healthy run should show."""
    accuracy_of_range: Fraction = Field(default=0.0, ge=0, le=0.5)
    """Half width of the sensor's own error, as a fraction of its range."""

    supply_v: VoltageV | None = Field(alias="supply", default=None, gt=0, le=36)
    """Ratiometric: the sensor's supply as stated, or with `supply_from` its nominal value;
    thermistor and platinum: what the divider is fed from."""
    supply_tolerance: Fraction = Field(default=0.05, ge=0, le=0.5)
    supply_from: Literal["sensor_supply"] | None = None
    """Ratiometric: the channel that measures the sensor's supply."""
    signal_low: Fraction = Field(default=0.1, ge=0, lt=1)
    signal_high: Fraction = Field(default=0.9, gt=0, le=1)
    """Ratiometric: fractions of the supply at the ends of the range (0.5 and 4.5 V of 5 V)."""
    voltage_range_v: VoltageRangeV | None = Field(alias="voltage_range", default=None)
    """Linear: signal at the ends of the range."""

    shunt_ohm: ResistanceOhm | None = Field(alias="shunt", default=None, gt=0)
    """Current loop and shunt."""
    gain: float = Field(default=1.0, gt=0, le=1000)
    """Shunt: of its amplifier (a plain number)."""
    sensitivity_ohm: ResistanceOhm | None = Field(alias="sensitivity", default=None, gt=0)
    """Hall: volt per ampere."""
    zero_v: VoltageV = Field(alias="zero", default=0.0, ge=0)
    """Shunt and hall: signal at no current."""

    series_resistor_ohm: ResistanceOhm | None = Field(alias="series_resistor", default=None, gt=0)
    """Thermistor and platinum: from the feed to the sensor, which leads to ground."""
    resistance_25_ohm: ResistanceOhm | None = Field(alias="resistance_25", default=None, gt=0)
    """Thermistor at 25 degC."""
    beta_k: float | None = Field(alias="beta", default=None, gt=500, le=10_000)
    """Thermistor: its beta in kelvin (a plain number)."""
    steinhart_hart: Annotated[tuple[float, float, float], ListAsTuple] | None = None
    """Thermistor: A, B and C of 1/T = A + B ln(R) + C ln(R)^3, R in ohm, T in kelvin."""
    resistance_0_ohm: ResistanceOhm = Field(alias="resistance_0", default=1000.0, gt=0)
    """Platinum at 0 degC: 1000 ohm is a Pt1000, 100 ohm a Pt100."""

    @property
    def divider(self) -> float:
        """The fraction of the signal's voltage that reaches the input."""
        upper, lower = self.divider_upper_ohm, self.divider_lower_ohm
        return 1.0 if upper is None or lower is None else lower / (upper + lower)

    @property
    def range(self) -> tuple[float, float] | None:
        """The sensor's range in the channel's unit, if it has one."""
        return self.pressure_range_kpa or self.temperature_range_degc or self.current_range_a


class EngineSpeedSetup(Strict):
    """`[engine_speed]`: a line that pulses as the engine turns."""

    line: int
    pulses_per_revolution: float = Field(gt=0, le=512)
    """A plain number; 0.5 if a pulse comes with every second revolution."""
    pull: Literal["up", "down", "external"] = "external"
    edge: Literal["rising", "falling"] = "rising"
    """Electrical edge that marks the pulse; the other is recorded and not used."""
    highest_rpm: RotationRpm = Field(alias="highest", default=8000.0, gt=0, le=60_000)
    """Pulses that would mean a higher speed are noise and make the reading doubtful."""
    slowest_rpm: RotationRpm = Field(alias="slowest", default=60.0, gt=0, le=10_000)
    """Below this the engine is considered stopped: speed 0."""
    period_s: TimeS = Field(alias="period", default=0.2, ge=0.02, le=5)
    """Between derived readings."""


class AnalogLimits(Strict):
    """Not a table of its own: the limits that need these channels (base of Limits)."""

    coil_current_a: CurrentA | None = Field(alias="coil_current", default=None, gt=0)
    cylinder_pressure_kpa: PressureKpa | None = Field(alias="cylinder_pressure", default=None, gt=0)
    engine_speed_min_rpm: RotationRpm | None = Field(alias="engine_speed_min", default=None, ge=0)
    engine_speed_max_rpm: RotationRpm | None = Field(alias="engine_speed_max", default=None, gt=0)
