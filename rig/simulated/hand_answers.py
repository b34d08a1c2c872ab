# SPDX-License-Identifier: MIT
"""Results of checks by hand on a simulated rig: the state of each check, and the reading.

Computed from the plant behind the faults (`rig.simulated.by_hand`). Bounds between states are the
help page's normal values, or common practice without a source.
"""

from __future__ import annotations

import math
import random
from typing import NamedTuple

from rig.config.plant.model import SimulatedRig
from rig.config.setup.model import Setup
from rig.simulated import faults
from rig.simulated.by_hand import ByHand, checks

COOL_DEGC = 60.0
FUEL_SHARE = 0.45
"""How often thin oil is thin by fuel: the label is right then (judged, no source)."""

OF_OIL = ("oil_level", "oil_label", "warm_again")


class Answer(NamedTuple):
    """The state of a check, and the reading; empty if the state says all of it."""

    state: str
    reading: str = ""


class Normal(NamedTuple):
    """What the service information of this rig would state."""

    base_least_kpa: float
    base_most_kpa: float
    actuation_kpa: float
    reset_kpa: float


def answers(setup: Setup, seed: int, normal: Normal | None = None) -> dict[str, Answer]:
    """The answer of each check this rig allows, the same for the same seed. `normal`: None for the
    values of the rig without its faults.

    Raises ValueError for a setup without a simulated rig.
    """
    if setup.simulated is None:
        raise ValueError("the setup has no simulated rig")
    clean = setup.model_copy(update={"simulated": setup.simulated.model_copy(update={"fault": ()})})
    found, sound, hidden = checks(setup), checks(clean), faults.apply(setup.simulated, setup)
    told = _electrical(setup, found, hidden)
    told |= _hydraulic(setup, found, sound, hidden, normal or _normal(sound), seed)
    if setup.medium != "oil":
        told = {name: one for name, one in told.items() if name not in OF_OIL}
    if setup.readback is not None:
        wrong = hidden.wiring.readback_voltage_reads not in (None, setup.readback.voltage_reads)
        told["readback_meter"] = Answer(_first(disagrees=wrong, agrees=True))
    if setup.pressure_source is not None:
        offset = abs(found.gauge_at_rest_kpa) > 5.0
        told["gauge_rest"] = Answer(
            _first(offset=offset, zero=True), f"{found.gauge_at_rest_kpa:+.0f} kPa at rest"
        )
        told["gauge_compared"] = Answer(_first(
            factor=hidden.wiring.gauge_unit is not None, offset=offset,
            lags=hidden.gauge.line_lag_s > 0.1 or hidden.gauge.lag_s > 0.1, agrees=True,
        ))  # fmt: skip
    return told


def _normal(sound: ByHand) -> Normal:
    base = sound.base_pressure_kpa
    return Normal(0.8 * base, 1.25 * base, sound.actuation_kpa, sound.reset_kpa)


def _electrical(setup: Setup, found: ByHand, hidden: SimulatedRig) -> dict[str, Answer]:
    supply_v = hidden.electric.supply_voltage_v or setup.coil.supply_voltage_v
    no_current = not found.fuse_whole or not found.connector_seated or math.isinf(found.coil_ohm)
    plug_v = found.plug_v if found.connector_seated else 0.0
    whole = "no reading: open" if math.isinf(found.coil_ohm) else f"{found.coil_ohm:.1f} ohm"
    rated_ohm = setup.coil.resistance_ohm
    return {
        "drive_isolated": Answer(_first(
            driven=found.live_without_the_rig, plug_off=not found.connector_seated, right=True,
        )),
        "fuse": Answer(_first(open=not found.fuse_whole, whole=True)),
        "coil_ohms": Answer(
            _first(
                open=math.isinf(found.coil_ohm), low=found.coil_ohm < 0.9 * rated_ohm,
                high=found.coil_ohm > 1.1 * rated_ohm, right=True,
            ),
            f"{whole} at 20 degC; the setup says {rated_ohm:.1f} ohm",
        ),
        "supply_loaded": Answer(
            _first(
                none=plug_v < 1.0, low_source=supply_v < 0.85 * setup.coil.supply_voltage_v,
                drop=supply_v - plug_v > 0.5, right=True,
            ),
            f"{plug_v:.1f} V across the coil, {supply_v:.1f} V across the source",
        ),
        "drive_side": Answer(
            _first(wrong=found.switched_pole != setup.coil.feed_side, right=True),
            f"the {found.switched_pole} side follows the relay",
        ),
        "relay_heard": Answer(_first(
            none=not found.relay_clicks,
            relay_only=no_current or found.plunger_friction > 50.0 or hidden.relay.welds, both=True,
        )),
        "switch_unplugged": Answer("closed" if found.unplugged_reads_closed else "open"),
        "switch_bridged": Answer("closed" if found.bridged_reads_closed else "open"),
        "switch_sense": Answer(_first(opposite=found.switch_closed_at_rest, as_setup=True)),
        "wiggle": Answer(_first(moves=found.wire_moves, steady=True)),
    }  # fmt: skip


def _hydraulic(
    setup: Setup, found: ByHand, sound: ByHand, hidden: SimulatedRig, normal: Normal, seed: int
) -> dict[str, Answer]:
    thick = found.oil_mm2_s / sound.oil_mm2_s
    cold = found.oil_temperature_degc < COOL_DEGC
    travel_lost = found.spool_travel < 0.8 * sound.spool_travel
    rest_at = setup.simulated.spool.rest_at if setup.simulated is not None else 0.0
    fuel = random.Random(seed).random() < FUEL_SHARE  # noqa: S311 - a rig is drawn, no secret
    highest_kpa = max(found.base_pressure_kpa, hidden.supply.surge_kpa or 0.0)
    return {
        "oil_level": Answer(_first(
            low=found.oil_level < 0.4, foam=found.free_air > 2.0 * sound.free_air,
            thin=thick < 0.7, dirty=hidden.spool.varnish > 2.0, right=True,
        )),
        "oil_label": Answer(_first(
            too_thick=thick > 1.5 and not cold, too_thin=thick < 0.7 and not fuel, right=True,
        )),
        "base_gauge": Answer(
            _first(
                low=found.base_pressure_kpa < normal.base_least_kpa,
                high=highest_kpa > normal.base_most_kpa, right=True,
            ),
            f"{found.base_pressure_kpa:.0f} kPa at idle, at most {highest_kpa:.0f}; "
            f"sound are {normal.base_least_kpa:.0f} to {normal.base_most_kpa:.0f}",
        ),
        "warm_again": Answer(_first(right_now=cold, same=True)),
        "ramp": Answer(
            _first(
                acts_high=found.actuation_kpa > 1.12 * normal.actuation_kpa
                or hidden.switch.stuck == "open",
                resets_low=found.reset_kpa < 0.8 * normal.reset_kpa
                or hidden.switch.stuck == "closed",
                right=True,
            ),
            _ramped(found, hidden),
        ),
        "leak_check": Answer(_first(fast=found.seal_gap > 1.4 or thick < 0.7, tight=True)),
        "screen": Answer(_first(clogged=found.screen_open < 0.6, clean=True)),
        "spool": Answer(_first(
            stuck_on=travel_lost and hidden.spool.rest_at > rest_at,
            stuck_off=travel_lost, sticks=found.spool_friction > 2.5,
            weak_spring=found.spool_spring < 0.75, free=True,
        )),
        "drain": Answer(_first(blocked=found.drain_open < 0.6, free=True)),
        "noise": Answer(_first(raps=found.locked_without_air > 0.2, even=True)),
        "compression": Answer(_first(
            one_always_high=found.locked_without_air > 0.1,
            one_missing=found.locked_with_air < 0.9, all_rise=True,
        )),
        "air_test": Answer(_first(
            one_locked=found.locked_without_air > 0.05, one_free=found.locked_with_air < 0.95,
            all_right=True,
        )),
    }  # fmt: skip


def _ramped(found: ByHand, hidden: SimulatedRig) -> str:
    if hidden.switch.stuck is not None and hidden.switch.stuck_share == 1.0:
        return f"the switch stays {hidden.switch.stuck} at every pressure"
    return f"acts at {found.actuation_kpa:.0f} kPa, resets at {found.reset_kpa:.0f} kPa"


def _first(**states: bool) -> str:
    """The first state that applies."""
    return next(name for name, holds in states.items() if holds)
