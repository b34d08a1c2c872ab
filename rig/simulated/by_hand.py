# SPDX-License-Identifier: MIT
"""Results of checks by hand on a simulated rig: the truth behind its faults, as a meter, a stick, a
second gauge or an eye would show it.

For tests and for code that plays the technician; nothing that judges a run reads it.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from rig.config.plant.model import SimulatedRig
from rig.config.setup.model import Setup
from rig.core.records import SWITCH
from rig.physics.coil_loop import short_turns
from rig.physics.feed import FeedSide
from rig.physics.oil import ViscosityTemperature
from rig.simulated import faults
from rig.simulated.coil_path.switch_wire import SwitchWire
from rig.simulated.coil_path.wiring import SWITCH_WIRE, Wiring
from rig.simulated.scatter import stream


class ByHand(NamedTuple):
    """Shares are relative to the same rig without its faults."""

    oil_level: float
    """Between the marks of the dipstick, 1 at the upper one."""
    oil_mm2_s: float
    """Kinematic viscosity at its temperature."""
    oil_temperature_degc: float
    free_air: float
    """Foam, as a fraction of the volume."""
    base_pressure_kpa: float
    """Mean pressure before the valve, measured with a separate gauge."""
    fuse_whole: bool
    connector_seated: bool
    coil_ohm: float
    """Across the coil itself, at 20 degC; infinite where it is open."""
    plug_v: float
    """Across the coil's plug with the relay closed and a sound coil as the load, the plug's own
    joints included."""
    switched_pole: FeedSide
    """The side of the coil at which a test lamp follows the relay."""
    relay_clicks: bool
    live_without_the_rig: bool
    """The coil is energised with the rig's drive unplugged."""
    switch_closed_at_rest: bool
    """The contact itself, unplugged, with the engine off."""
    unplugged_reads_closed: bool
    bridged_reads_closed: bool
    """The input with the switch's plug off, and with that plug bridged, as the setup reads it."""
    wire_moves: bool
    """The level changes when the switch's wire is moved."""
    actuation_kpa: float
    reset_kpa: float
    """Of the switch, on a slow ramp."""
    gauge_at_rest_kpa: float
    """What it shows with the engine off, line and wire sound."""
    screen_open: float
    drain_open: float
    """Share of the open area."""
    spool_travel: float
    """Share of its travel that the spool makes by hand."""
    spool_friction: float
    """As a multiple of a sound one's, after a long stand."""
    spool_spring: float
    """Share of the force."""
    seal_gap: float
    """As a multiple of a sound one's."""
    plunger_friction: float
    """As a multiple of a sound one's."""
    locked_without_air: float
    locked_with_air: float
    """Share of the rockers, engine stopped, on the base circle, with regulated air well above the
    pressure at which a lock engages."""


def checks(setup: Setup) -> ByHand:
    """Every check on the simulated rig of `setup`, with its actual faults and wiring.

    Raises ValueError for a setup without a simulated rig.
    """
    sound = setup.simulated
    if sound is None:
        raise ValueError("the setup has no simulated rig")
    rig = faults.apply(sound, setup)
    oil, electric, spool, switch = rig.oil, rig.electric, rig.spool, rig.switch
    line = ViscosityTemperature.through(
        oil.viscosity_40_mm2_s, 40.0, oil.viscosity_100_mm2_s, 100.0
    )
    unplugged, bridged = (_reads_closed(setup, rig, closed) for closed in (False, True))
    contact = switch.contact or setup.switch.contact
    at_rest = contact == "normally closed"
    if switch.stuck is not None and switch.stuck_share == 1.0:
        at_rest = switch.stuck == "closed"
    return ByHand(
        oil_level=oil.level,
        oil_mm2_s=line.kinematic_mm2_s(oil.temperature_degc),
        oil_temperature_degc=oil.temperature_degc,
        free_air=oil.free_air,
        base_pressure_kpa=rig.supply.pressure_kpa,
        fuse_whole=not electric.fuse_open,
        connector_seated=electric.connector_on,
        coil_ohm=_coil_ohm(setup, rig),
        plug_v=_plug_v(setup, rig),
        switched_pole=rig.wiring.feed_side or setup.coil.feed_side,
        relay_clicks=not rig.relay.dead,
        live_without_the_rig=electric.driven_by_vehicle,
        switch_closed_at_rest=at_rest,
        unplugged_reads_closed=unplugged,
        bridged_reads_closed=bridged,
        wire_moves=rig.wiring.switch_wire_rate_hz > 0.0,
        actuation_kpa=switch.actuation_kpa,
        reset_kpa=switch.reset_kpa,
        gauge_at_rest_kpa=rig.gauge.offset_kpa,
        screen_open=rig.gallery.screen_area_mm2 / sound.gallery.screen_area_mm2,
        drain_open=_share(rig.gallery.drain_area_mm2, sound.gallery.drain_area_mm2),
        spool_travel=spool.end_at - spool.rest_at,
        spool_friction=_share(spool.friction_n * (1.0 + spool.varnish), sound.spool.friction_n),
        spool_spring=spool.spring_rest_n / sound.spool.spring_rest_n,
        seal_gap=_share(rig.gallery.seal_gap_mm, sound.gallery.seal_gap_mm),
        plunger_friction=_share(rig.plunger.friction_n, sound.plunger.friction_n),
        locked_without_air=rig.locks.stuck_locked,
        locked_with_air=1.0 - rig.locks.stuck_free,
    )


def _share(now: float, sound: float) -> float:
    return now / sound if sound else 1.0


def _coil_ohm(setup: Setup, rig: SimulatedRig) -> float:
    electric = rig.electric
    if not electric.coil_connected:
        return math.inf
    whole_ohm = electric.coil_resistance_ohm or setup.coil.resistance_ohm
    return short_turns(whole_ohm, electric.inductance_h, electric.shorted_turns).resistance_ohm


def _plug_v(setup: Setup, rig: SimulatedRig) -> float:
    electric = rig.electric
    if electric.fuse_open or rig.relay.dead:
        return 0.0
    supply_v = electric.supply_voltage_v or setup.coil.supply_voltage_v
    load_ohm = setup.coil.resistance_ohm
    return (
        supply_v
        * load_ohm
        / (load_ohm + electric.wiring_resistance_ohm + electric.fuse_resistance_ohm)
    )


def _reads_closed(setup: Setup, rig: SimulatedRig, closed: bool) -> bool:
    """What the setup interprets the input as, with an open or a closed circuit in place of the
    switch."""
    wiring = Wiring(setup, rig)
    wire = SwitchWire(rig.wiring, stream(0, "by hand")).state
    _, level = wiring.seen(SWITCH, {SWITCH: wiring.switch_level(closed), SWITCH_WIRE: wire})
    return level == setup.switch_closed_level
