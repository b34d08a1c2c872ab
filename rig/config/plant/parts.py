# SPDX-License-Identifier: MIT
"""Parts of the simulated rig and their parameters. All values invented (see model.py)."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from rig.config.analog.model import AnalogName
from rig.config.quantity_types import (
    AreaMm2,
    CurrentA,
    ForceN,
    Fraction,
    FrequencyHz,
    InductanceH,
    LengthMm,
    MassG,
    PressureKpa,
    PressureRateKpaS,
    ResistanceOhm,
    RotationRpm,
    TemperatureDegc,
    TemperatureRateKMin,
    TimeS,
    ViscosityMm2S,
    VoltageV,
    VolumeCm3,
    refuse,
)
from rig.config.strict import Strict
from rig.physics.oil import ViscosityTemperature

SOLID_MM2_S = 1e5
"""Oil this thick does not flow through anything here."""
RIPPLE_OIL_KPA = 6.0


class ElectricPart(Strict):
    """`[simulated.electric]`: supply, wiring, fuse and coil as they really are."""

    supply_voltage_v: VoltageV | None = Field(alias="supply_voltage", default=None, gt=0, le=36)
    """Left out: what the setup says of the coil's supply."""
    source_resistance_ohm: ResistanceOhm = Field(
        alias="source_resistance", default=0.04, ge=0, le=1e3
    )
    """Of the battery, part of the wiring's resistance: a voltage sensor sees its drop."""
    wiring_resistance_ohm: ResistanceOhm = Field(
        alias="wiring_resistance", default=0.15, ge=0, le=1e3
    )
    """Supply, wires, fuse and joints together."""
    fuse_resistance_ohm: ResistanceOhm = Field(alias="fuse_resistance", default=0.0, ge=0, le=1e6)
    """Of a corroded fuse holder, beyond that; it lies before the relay."""
    coil_resistance_ohm: ResistanceOhm | None = Field(
        alias="coil_resistance", default=None, gt=0, le=1e3
    )
    """At 20 degC. Left out: what the setup says."""
    inductance_h: InductanceH = Field(alias="inductance", default=0.060, gt=0, le=10)
    inductance_growth: Fraction = Field(default=0.3, ge=0, le=2)
    """Its increase with the plunger pulled in, as a fraction: this makes the current dip while it
    moves. Only a sensor in the coil's lead shows it."""
    clamp_voltage_v: VoltageV = Field(alias="clamp_voltage", default=24.7, gt=0, le=100)
    """Across the coil while its current dies: 0.7 V a plain diode, more with a zener."""
    shorted_turns: Fraction = Field(default=0.0, ge=0, le=0.9)
    self_heating_k: float = Field(default=25.0, ge=0, le=200)
    """Rise of the coil over the oil when permanently on, kelvin (a plain number)."""
    warm_up_time_s: TimeS = Field(alias="warm_up_time", default=240.0, gt=0)
    """Thermal time constant of the coil."""
    fuse_open: bool = False
    coil_connected: bool = True
    connector_on: bool = True
    """The coil's plug. With it off no current flows, as with an open coil; a meter at the coil
    tells them apart."""
    driven_by_vehicle: bool = False


class ConverterPart(Strict):
    """`[simulated.converter]`: the converter and its sensors as they really are."""

    noise_lsb: float = Field(default=0.6, ge=0, le=100)
    """Standard deviation of the converter's own noise, in codes (a plain number)."""
    noise_kpa: PressureKpa = Field(alias="pressure_noise", default=0.5, ge=0, le=1e4)
    noise_a: CurrentA = Field(alias="current_noise", default=0.002, ge=0, le=10)
    sensor_supply_v: VoltageV = Field(alias="sensor_supply", default=4.93, gt=0, le=36)
    """The real supply of the ratiometric sensors."""
    transfer_time_s: TimeS = Field(alias="transfer_time", default=95e-6, ge=20e-6, le=0.01)
    """Of one conversion, the program's own part included."""
    transfer_spread_s: TimeS = Field(alias="transfer_spread", default=6e-6, ge=0, le=0.01)
    wire_off: AnalogName | None = None
    """The channel whose signal wire comes off at `fault_after`."""


class EnginePart(Strict):
    """`[simulated.engine]`: speed and cylinder, if the setup measures one of them."""

    speed_rpm: RotationRpm = Field(alias="speed", default=750.0, gt=10, le=20_000)
    jitter: Fraction = Field(default=0.006, ge=0, le=0.3)
    """Standard deviation of the time of each half revolution, as a fraction."""
    wander: Fraction = Field(default=0.003, ge=0, le=0.3)
    """The same, of the part that carries over from one half revolution to the next."""
    compression_ratio: float = Field(default=9.5, gt=1, le=30)
    intake_kpa: PressureKpa = Field(alias="intake", default=40.0, gt=0, le=400)
    """Absolute, in the intake at idle."""


class RelayPart(Strict):
    """`[simulated.relay]`: from the command to the contact."""

    operate_time_s: TimeS = Field(alias="operate_time", default=0.006, ge=0.001, le=1)
    release_time_s: TimeS = Field(alias="release_time", default=0.0035, ge=0.001, le=1)
    time_spread_s: TimeS = Field(alias="time_spread", default=0.00015, ge=0, le=0.1)
    """Standard deviation of both, stroke to stroke."""
    bounce_time_s: TimeS = Field(alias="bounce_time", default=0.0012, ge=0, le=0.1)
    """Mean for the closing contact; opening bounces for a third of it."""
    bounces_max: int = Field(default=3, ge=0, le=20)
    dead: bool = False
    misses: Fraction = Field(default=0.0, ge=0, le=1)
    """Share of the closings that fail, by chance."""
    welds: bool = False
    """The contact welds at its first closing after `fault_after`."""
    weld_holds_s: TimeS | None = Field(alias="weld_holds", default=None, ge=0, le=86_400)
    """How long a weld that tears holds the contact at each opening. Left out: permanently."""


class PlungerPart(Strict):
    """`[simulated.plunger]`: the moving core of the solenoid."""

    mass_g: MassG = Field(alias="mass", default=8.0, gt=0, le=1e4)
    travel_mm: LengthMm = Field(alias="travel", default=1.2, gt=0, le=50)
    gap_left_mm: LengthMm = Field(alias="gap_left", default=0.8, gt=0, le=50)
    """Magnetic gap that remains when it is pulled in."""
    pull_in_current_a: CurrentA = Field(alias="pull_in_current", default=0.20, gt=0, le=50)
    """At this current the pull at rest equals the spring; force goes with current squared."""
    spring_rest_n: ForceN = Field(alias="spring_rest", default=3.0, gt=0, le=1e4)
    spring_end_n: ForceN = Field(alias="spring_end", default=4.0, gt=0, le=1e4)
    """Spring force when pulled in."""
    friction_n: ForceN = Field(alias="friction", default=0.25, ge=0, le=1e3)
    friction_spread: Fraction = Field(default=0.10, ge=0, le=1)
    bearing_area_mm2: AreaMm2 = Field(alias="bearing_area", default=600.0, ge=0, le=1e6)
    bearing_gap_mm: LengthMm = Field(alias="bearing_gap", default=0.05, gt=0, le=5)
    """Oil between plunger and guide: what makes it slow in cold oil."""
    pilot_at: Fraction = Field(default=0.5, gt=0, lt=1)
    """Fraction of the travel at which the pilot seat changes over."""

    @model_validator(mode="after")
    def _pull_in_holds(self) -> Self:
        gain = ((self.travel_mm + self.gap_left_mm) / self.gap_left_mm) ** 2
        if not self.spring_end_n < self.spring_rest_n * gain:
            raise refuse(
                "the spring grows faster with the travel than the magnet's pull",
                "make spring_end or gap_left smaller",
            )
        return self


class SpoolPart(Strict):
    """`[simulated.spool]`: the spool valve, moved by pilot oil against its spring."""

    diameter_mm: LengthMm = Field(alias="diameter", default=10.0, gt=0, le=200)
    travel_mm: LengthMm = Field(alias="travel", default=3.0, gt=0, le=100)
    spring_rest_n: ForceN = Field(alias="spring_rest", default=7.0, gt=0, le=1e5)
    spring_end_n: ForceN = Field(alias="spring_end", default=9.0, gt=0, le=1e5)
    friction_n: ForceN = Field(alias="friction", default=0.6, ge=0, le=1e4)
    friction_spread: Fraction = Field(default=0.15, ge=0, le=1)
    pilot_area_mm2: AreaMm2 = Field(alias="pilot_area", default=1.3, gt=0, le=1e3)
    """Of the pilot's feed and of its vent."""
    inlet_opens_mm: LengthMm = Field(alias="inlet_opens", default=0.9, ge=0, le=100)
    """Travel at which the inlet land begins to open, and the drain is shut."""
    port_width_mm: LengthMm = Field(alias="port_width", default=1.2, gt=0, le=500)
    """Opened area per travel, of inlet and drain."""
    land_gap_mm: LengthMm = Field(alias="land_gap", default=0.008, ge=0, le=0.5)
    """Radial."""
    land_length_mm: LengthMm = Field(alias="land_length", default=3.0, gt=0, le=100)
    rest_at: Fraction = Field(default=0.0, ge=0, le=1)
    """Fraction of its travel at which something in the bore stops it on its way back."""
    end_at: Fraction = Field(default=1.0, ge=0, le=1)
    """Fraction of its travel at which something in the bore stops it on its way out."""
    varnish: float = Field(default=0.0, ge=0, le=1000)
    """Friction that a long stand adds, as a multiple of `friction` (a plain number)."""
    varnish_time_s: TimeS = Field(alias="varnish_time", default=4.0, gt=0)
    """Time constant with which it sets."""

    @model_validator(mode="after")
    def _opens(self) -> Self:
        if not self.inlet_opens_mm < self.travel_mm:
            raise refuse(
                "the inlet opens only beyond the spool's travel", "make inlet_opens smaller"
            )
        if not self.rest_at <= self.end_at:
            raise refuse("the spool's way ends before it begins", "make rest_at smaller")
        return self


class GalleryPart(Strict):
    """`[simulated.gallery]`: the trapped volume behind the spool, with switch and locks."""

    volume_cm3: VolumeCm3 = Field(alias="volume", default=30.0, gt=0, le=1e5)
    screen_area_mm2: AreaMm2 = Field(alias="screen_area", default=6.0, gt=0, le=1e4)
    """Open area of the inlet screen."""
    passage_diameter_mm: LengthMm = Field(alias="passage_diameter", default=1.8, gt=0, le=100)
    passage_length_mm: LengthMm = Field(alias="passage_length", default=40.0, ge=0, le=1e4)
    """Narrowest inlet passage, pilot's feed included; its drag depends on viscosity."""
    drain_area_mm2: AreaMm2 = Field(alias="drain_area", default=1.6, ge=0, le=1e3)
    """Drain behind the spool; 0: none, the gallery then empties only through its leaks."""
    seals: int = Field(default=4, ge=0, le=64)
    """Lock pins that oil leaks past."""
    seal_diameter_mm: LengthMm = Field(alias="seal_diameter", default=8.0, gt=0, le=100)
    seal_gap_mm: LengthMm = Field(alias="seal_gap", default=0.012, ge=0, le=0.5)
    """Radial."""
    seal_length_mm: LengthMm = Field(alias="seal_length", default=6.0, gt=0, le=100)
    rest_void_cm3: VolumeCm3 = Field(alias="rest_void", default=0.4, ge=0, le=1e4)
    """Oil that runs out of the open drain in a long rest, to be filled by the next stroke."""
    rest_void_time_s: TimeS = Field(alias="rest_void_time", default=30.0, gt=0)
    """Time constant of that."""


class SupplyPart(Strict):
    """`[simulated.supply]`: oil or air pressure, and the hand on its regulator."""

    pressure_kpa: PressureKpa = Field(alias="pressure", default=300.0, ge=0, le=1e5)
    ripple_kpa: PressureKpa | None = Field(alias="ripple", default=None, ge=0, le=1e4)
    """Amplitude of the pump's ripple. Left out: 6 kPa of oil, none of air."""
    ripple_frequency_hz: FrequencyHz = Field(alias="ripple_frequency", default=110.0, gt=0, le=2e3)
    surge_kpa: PressureKpa | None = Field(alias="surge", default=None, ge=0, le=1e5)
    """Pressure to which the supply climbs from `fault_after` on: its relief valve sticks."""
    surge_rate_kpa_s: PressureRateKpaS = Field(alias="surge_rate", default=400.0, gt=0)
    gulp_rate_hz: FrequencyHz = Field(alias="gulp_rate", default=0.0, ge=0, le=20)
    """How often the pump's pickup draws air."""
    gulp_depth: Fraction = Field(default=0.5, ge=0, le=1)
    """Largest sag of the pressure then; half of that on average."""
    hand_port: Literal["gallery", "inlet"] = "gallery"
    """Connection of the supply that a ramp raises and lowers: at a test port beside the switch,
    with the valve's inlet and drain shut off meanwhile; or at the valve's own inlet, so that the
    switch sees it only with the coil energised."""
    hand_rate_kpa_s: PressureRateKpaS = Field(alias="hand_rate", default=25.0, gt=0, le=1e4)
    hand_reaction_s: TimeS = Field(alias="hand_reaction", default=0.3, ge=0.01, le=10)
    hand_limit_kpa: PressureKpa = Field(alias="hand_limit", default=600.0, gt=0, le=1e5)
    """The hand's supply goes no higher."""

    def ripple_of(self, medium: Literal["oil", "air"]) -> float:
        """Amplitude of the ripple with this medium, kPa."""
        if self.ripple_kpa is not None:
            return self.ripple_kpa
        return RIPPLE_OIL_KPA if medium == "oil" else 0.0


class OilPart(Strict):
    """`[simulated.oil]`: the oil; with the medium air only its temperature matters."""

    level: Fraction = Field(default=1.0, ge=0, le=2)
    """Between the marks of the dipstick, 1 at the upper one. Only a check by hand sees it:
    `free_air` and the supply model the effect of a low level."""
    temperature_degc: TemperatureDegc = Field(alias="temperature", default=90.0, ge=-40, le=180)
    viscosity_40_mm2_s: ViscosityMm2S = Field(alias="viscosity_40", default=64.0, ge=2, le=1e4)
    viscosity_100_mm2_s: ViscosityMm2S = Field(alias="viscosity_100", default=10.6, ge=2, le=1e4)
    free_air: Fraction = Field(default=0.02, ge=0.0005, le=0.5)
    """Entrained air, as a fraction of the volume at atmospheric pressure."""
    warming_k_min: TemperatureRateKMin = Field(alias="warming", default=0.0, ge=-60, le=60)
    """How fast the oil in the gallery warms (negative: cools), with the body around it. Only its
    volume follows, and what a sensor on a converter reads."""

    @model_validator(mode="after")
    def _thins_when_hot(self) -> Self:
        if not self.viscosity_100_mm2_s < self.viscosity_40_mm2_s:
            raise refuse(
                "the oil is thicker at 100 degC than at 40 degC", "check the two viscosities"
            )
        line = ViscosityTemperature.through(
            self.viscosity_40_mm2_s, 40.0, self.viscosity_100_mm2_s, 100.0
        )
        try:
            flows = line.kinematic_mm2_s(self.temperature_degc) < SOLID_MM2_S
        except (ValueError, OverflowError):
            flows = False
        if not flows:
            raise refuse(
                f"oil of these viscosities is no oil any more at {self.temperature_degc:g} degC "
                f"(it must have 2 to {SOLID_MM2_S:.0f} mm^2/s there)",
                "choose a temperature nearer to 40 and 100 degC, or another oil",
            )
        return self


class SwitchPart(Strict):
    """`[simulated.switch]`: the pressure switch."""

    contact: Literal["normally open", "normally closed"] | None = None
    """Left out: what the setup says; normally open where the setup says find."""
    actuation_kpa: PressureKpa = Field(alias="actuation", default=150.0, gt=0, le=1e5)
    reset_kpa: PressureKpa = Field(alias="reset", default=110.0, gt=0, le=1e5)
    spread_kpa: PressureKpa = Field(alias="spread", default=0.8, ge=0, le=1e3)
    """Standard deviation of both, from change to change."""
    snap_time_s: TimeS = Field(alias="snap_time", default=0.0008, ge=0, le=0.1)
    bounce_time_s: TimeS = Field(alias="bounce_time", default=0.0015, ge=0, le=0.2)
    bounces_max: int = Field(default=4, ge=0, le=50)
    stuck: Literal["open", "closed"] | None = None
    stuck_share: Fraction = Field(default=1.0, ge=0, le=1)
    """Share of its changes at which a stuck contact stays where it is, by chance."""
    dropout_rate_hz: FrequencyHz = Field(alias="dropout_rate", default=0.0, ge=0, le=1e3)
    """How often a closed contact that has worked loose opens by itself."""
    dropout_time_s: TimeS = Field(alias="dropout_time", default=0.002, gt=0, le=1)

    @model_validator(mode="after")
    def _has_a_differential(self) -> Self:
        if not self.reset_kpa < self.actuation_kpa:
            raise refuse("the reset pressure is not below the actuation pressure", "lower reset")
        return self


class GaugePart(Strict):
    """`[simulated.gauge]`: sensor and transmission of the gauge that the setup describes."""

    at: Literal["gallery", "supply"] = "gallery"
    """Where it is screwed in."""
    lag_s: TimeS = Field(alias="lag", default=0.020, gt=0, le=60)
    """Time constant of its sensor and filter."""
    line_lag_s: TimeS = Field(alias="line_lag", default=0.0, ge=0, le=1e9)
    """Time constant of the line to the gauge, added to its own. From 1000 s on the line counts as
    blocked since before the engine ran: there is no pressure behind it."""
    noise_kpa: PressureKpa = Field(alias="noise", default=0.4, ge=0, le=1e4)
    offset_kpa: PressureKpa = Field(alias="offset", default=0.0)
    resolution_kpa: PressureKpa = Field(alias="resolution", default=0.5, gt=0, le=1e4)
    clock_error: Fraction = Field(default=0.0, ge=-0.5, le=0.5)
    """Its actual period relative to the stated one."""
    unit: str = "kPa"
    """What it sends where the pattern has {unit} and the setup names no unit."""
    fails: Literal["silent", "garbage", "NaN", "frozen", "disconnected"] | None = None
    """What happens to it from `fault_after` on."""
    fails_share: Fraction = Field(default=1.0, ge=0, le=1)
    """Share of its readings affected, by chance."""


class LocksPart(Strict):
    """`[simulated.locks]`: the rocker locks moved by the pressure behind the valve. The rig sees
    them only as pressure in a cylinder, if the setup measures that; else they are for checks by
    hand. The cylinder with the transducer represents all."""

    engages_kpa: PressureKpa = Field(alias="engages", default=180.0, gt=0, le=1e5)
    """Pressure behind the valve from which a sound lock holds."""
    intake_gain_kpa: PressureKpa = Field(alias="intake_gain", default=3.7, ge=0, le=100)
    """What locked rockers add to the pressure in the intake that the cylinder closes with. At the
    usual compression it makes some 70 kPa of running compression, an orientation of the trade
    (common practice, no source); 0: the engine breathes alike both ways."""
    stuck_free: Fraction = Field(default=0.0, ge=0, le=1)
    """Share of the rockers that never lock."""
    stuck_locked: Fraction = Field(default=0.0, ge=0, le=1)
    """Share of the rockers that never come free."""

    @model_validator(mode="after")
    def _not_more_than_all(self) -> Self:
        if self.stuck_free + self.stuck_locked > 1.0:
            raise refuse("more rockers are stuck than there are", "make one share smaller")
        return self
