# SPDX-License-Identifier: MIT
"""Checks by hand on a simulated rig, answered by the truth behind it, and the way to the cause.

Bounds between states are those of the help page's normal values, or common practice without a
source. Every order stops alike: where a repair is clear (CLEAR), or nothing is left to check.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from rig.config.setup.model import Setup
from rig.diagnosis.checks_file import SURE
from rig.diagnosis.findings.model import Finding, seen
from rig.diagnosis.knowledge.model import NONE_OF_THESE, Knowledge
from rig.diagnosis.next_check import CLEAR, GETTING_THERE, next_checks, repair_matrix
from rig.diagnosis.posterior import Observed, Posterior, evidence, possible, posterior_of, table_of
from rig.simulated import faults
from rig.simulated.by_hand import checks

COOL_DEGC, LEAST_BASE_KPA, MOST_BASE_KPA = 60.0, 240.0, 380.0
ACTUATION_KPA, RESET_KPA = 150.0, 110.0


def answers(setup: Setup, seed: int) -> dict[str, str]:
    """State of each check that this rig allows."""
    assert setup.simulated is not None
    clean = setup.model_copy(update={"simulated": setup.simulated.model_copy(update={"fault": ()})})
    found, sound, hidden = checks(setup), checks(clean), faults.apply(setup.simulated, setup)
    thick = found.oil_mm2_s / sound.oil_mm2_s
    cold = found.oil_temperature_degc < COOL_DEGC
    supply_v = hidden.electric.supply_voltage_v or setup.coil.supply_voltage_v
    no_current = not found.fuse_whole or not found.connector_seated or np.isinf(found.coil_ohm)
    travel_lost = found.spool_travel < 0.8 * sound.spool_travel
    fuel = random.Random(seed).random() < 0.45  # thin by fuel: the label is right

    told = {
        "oil_level": _first(
            low=found.oil_level < 0.4, foam=found.free_air > 2.0 * sound.free_air,
            thin=thick < 0.7, dirty=hidden.spool.varnish > 2.0, right=True,
        ),
        "oil_label": _first(
            too_thick=thick > 1.5 and not cold, too_thin=thick < 0.7 and not fuel, right=True
        ),
        "drive_isolated": _first(
            driven=found.live_without_the_rig, plug_off=not found.connector_seated, right=True
        ),
        "fuse": _first(open=not found.fuse_whole, whole=True),
        "coil_ohms": _first(
            open=np.isinf(found.coil_ohm), low=found.coil_ohm < 0.9 * setup.coil.resistance_ohm,
            high=found.coil_ohm > 1.1 * setup.coil.resistance_ohm, right=True,
        ),
        "supply_loaded": _first(
            none=found.plug_v < 1.0 or not found.connector_seated,
            low_source=supply_v < 0.85 * setup.coil.supply_voltage_v,
            drop=supply_v - found.plug_v > 0.5, right=True,
        ),
        "drive_side": _first(wrong=found.switched_pole != setup.coil.feed_side, right=True),
        "relay_heard": _first(
            none=not found.relay_clicks,
            relay_only=no_current or found.plunger_friction > 50.0 or hidden.relay.welds, both=True,
        ),
        "switch_unplugged": "closed" if found.unplugged_reads_closed else "open",
        "switch_bridged": "closed" if found.bridged_reads_closed else "open",
        "switch_sense": _first(opposite=found.switch_closed_at_rest, as_setup=True),
        "wiggle": _first(moves=found.wire_moves, steady=True),
        "base_gauge": _first(
            low=found.base_pressure_kpa < LEAST_BASE_KPA,
            high=max(found.base_pressure_kpa, hidden.supply.surge_kpa or 0.0) > MOST_BASE_KPA,
            right=True,
        ),
        "warm_again": _first(right_now=cold, same=True),
        "ramp": _first(
            acts_high=found.actuation_kpa > 1.12 * ACTUATION_KPA or hidden.switch.stuck == "open",
            resets_low=found.reset_kpa < 0.8 * RESET_KPA or hidden.switch.stuck == "closed",
            right=True,
        ),
        "leak_check": _first(fast=found.seal_gap > 1.4 or thick < 0.7, tight=True),
        "screen": _first(clogged=found.screen_open < 0.6, clean=True),
        "spool": _first(
            stuck_on=travel_lost and hidden.spool.rest_at > setup.simulated.spool.rest_at,
            stuck_off=travel_lost, sticks=found.spool_friction > 2.5,
            weak_spring=found.spool_spring < 0.75, free=True,
        ),
        "drain": _first(blocked=found.drain_open < 0.6, free=True),
        "noise": _first(raps=found.locked_without_air > 0.2, even=True),
        "compression": _first(
            one_always_high=found.locked_without_air > 0.1,
            one_missing=found.locked_with_air < 0.9, all_rise=True,
        ),
        "air_test": _first(
            one_locked=found.locked_without_air > 0.05, one_free=found.locked_with_air < 0.95,
            all_right=True,
        ),
    }  # fmt: skip
    if setup.readback is not None:
        wrong = hidden.wiring.readback_voltage_reads not in (None, setup.readback.voltage_reads)
        told["readback_meter"] = _first(disagrees=wrong, agrees=True)
    if setup.pressure_source is not None:
        offset = abs(found.gauge_at_rest_kpa) > 5.0
        told["gauge_rest"] = _first(offset=offset, zero=True)
        told["gauge_compared"] = _first(
            factor=hidden.wiring.gauge_unit is not None, offset=offset,
            lags=hidden.gauge.line_lag_s > 0.1 or hidden.gauge.lag_s > 0.1, agrees=True,
        )  # fmt: skip
    return told


def _first(**states: bool) -> str:
    """The first state that holds."""
    return next(name for name, holds in states.items() if holds)


class Walked(NamedTuple):
    """One way to the cause: checks done, minutes, whether a repair was clear, and the ranking."""

    checks: int
    minutes: float
    clear: bool
    right: bool
    ranked: list[str]


Choice = Callable[[Posterior, list[str]], str | None]


def walk(
    knowledge: Knowledge, observed: Observed, wired: frozenset[str] | None,
    told: dict[str, str], choose: Choice, cause: str,
) -> Walked:  # fmt: skip
    """Check after check as `choose` names them, those before it for safety first."""
    table, among = table_of(knowledge), possible(knowledge, wired)
    logs = dict(evidence(table, knowledge, observed))
    done: list[str] = []
    minutes = 0.0
    while True:
        found = posterior_of(table, logs, among)
        chances = repair_matrix(knowledge, found) @ found.weight
        if float(chances.max()) >= CLEAR:
            break
        name = choose(found, [*(n for n in knowledge.checks if n not in told), *done])
        if name is None:
            break
        for step in _steps(knowledge, name, done, told):
            one: Finding = seen(step, told[step], step, SURE)
            logs.update(evidence(table, knowledge, {step: (one,)}))
            minutes += knowledge.checks[step].minutes + GETTING_THERE
            done.append(step)
    best = int(np.argmax(chances))
    names = found.table.names
    right = bool(repair_matrix(knowledge, found)[best, names.index(cause)])
    ranked = sorted(found.causes, key=lambda n: -found.causes[n])
    clear = float(chances.max()) >= CLEAR and names[0] != NONE_OF_THESE
    return Walked(len(done), minutes, clear, right, ranked[:3])


def _steps(knowledge: Knowledge, name: str, done: list[str], told: dict[str, str]) -> list[str]:
    found: list[str] = []
    for before in knowledge.checks[name].after:
        found += [s for s in _steps(knowledge, before, done, told) if s not in found]
    return [s for s in (*found, name) if s not in done and s in told]


def by_information(knowledge: Knowledge) -> Choice:
    """As the program proposes."""

    def choose(found: Posterior, done: list[str]) -> str | None:
        rows = next_checks(knowledge, found, done)
        return rows[0].check.name if rows else None

    return choose


def in_fixed_order(knowledge: Knowledge) -> Choice:
    """Down the list of checks.toml, which begins with what is cheap and safe."""
    return lambda _found, done: next((n for n in knowledge.checks if n not in done), None)


def at_random(knowledge: Knowledge, seed: int) -> Choice:
    """In an order drawn anew for each rig."""
    order = list(knowledge.checks)
    random.Random(seed).shuffle(order)
    return lambda _found, done: next((n for n in order if n not in done), None)
