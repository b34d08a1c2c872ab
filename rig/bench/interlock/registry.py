# SPDX-License-Identifier: MIT
"""Which rules are watched on a rig as wired, what each does, and its slowest reaction."""

from __future__ import annotations

from typing import NamedTuple

from rig.config.analog.channels import sources, stale_s
from rig.config.setup.model import Setup
from rig.core.records import EDGE_SOURCE_RULE, READBACK_RULE

TICK_S = 0.020
"""The interlock's own tick: it runs even when nothing arrives."""
EDGE_LOST_S = 0.050
"""A level that changed without an edge for this long means a dead edge source."""
IMPLAUSIBLE_FRAMES = 3
"""Consecutive readings outside the measuring range that are no longer noise."""

OVER_PRESSURE = "over-pressure"
PRESSURE_RATE = "pressure rising"
GAUGE_STALE = "gauge stale"
GAUGE_IMPLAUSIBLE = "gauge implausible"
GAUGE_STUCK = "gauge stuck"
OIL_TEMPERATURE = "oil temperature"
SUPPLY_VOLTAGE = "supply voltage"
COIL_CURRENT = "coil current"
CYLINDER_PRESSURE = "cylinder pressure"
ENGINE_SPEED = "engine speed"
CHANNEL_STALE = "reading stale"
ON_TIME = "on time"
DUTY = "duty"
COIL_HEATING = "coil heating"
READBACK = READBACK_RULE
STOP_INPUT = "stop input open"
COVER_INPUT = "guard cover open"
EDGE_SOURCE = EDGE_SOURCE_RULE
RECORDER = "recorder behind"
DISK = "disk nearly full"
LINK = "link lost"
LOOP = "loop late"
HEARTBEAT = "desk and bench both dead"
"""Not a rule of the loop: covered by the heartbeat circuit alone."""


class Watch(NamedTuple):
    """A rule, whether its sensor is there, and its slowest reaction: from the condition to the
    relay line commanded off, including gauge period and allowed delay, milliseconds.

    `action` is what it does: "trip" (off, latched, a person clears) or "end" (off, run kept).
    Preflight refuses to start while the condition of a watched rule stands.
    """

    rule: str
    watched: bool
    reaction_ms: float | None
    why: str
    action: str = "trip"


def watched(setup: Setup) -> list[Watch]:
    """Every rule of the interlock for this setup, watched or not."""
    return [*_coil(setup), *_gauge(setup), *_channels(setup), *_loops(setup), *_program(setup)]


def _when(rule: str, seconds: float | None, why: str, absent: str = "") -> Watch:
    if seconds is None:
        return Watch(rule, False, None, absent)
    return Watch(rule, True, 1e3 * (seconds + TICK_S), why)


def _coil(setup: Setup) -> list[Watch]:
    readback_s = setup.limits.readback_delay_s if setup.readback else None
    heating_s = 0.0 if setup.coil_heating else None
    return [
        _when(ON_TIME, 0.0, "the program's own clock"),
        _when(DUTY, 0.0, "the program's own clock; on-time of earlier runs is carried on"),
        _when(
            COIL_HEATING,
            heating_s,
            "estimated, not measured; earlier runs are carried on",
            "no [coil_heating] in the setup",
        ),
        _when(READBACK, readback_s, "the allowed relay delay", "no read-back input in the setup"),
    ]


def _gauge(setup: Setup) -> list[Watch]:
    gauge, limits, absent = setup.pressure_source, setup.limits, "no gauge in the setup"
    frame_s = stale_s = stuck_s = rate_s = None
    if gauge is not None and limits.pressure_kpa is not None:
        frame_s = gauge.period_s + gauge.latency_s
        stale_s, stuck_s = setup.gauge_stale_s, frame_s
        rate_s = 2 * frame_s if limits.pressure_rate_kpa_s is not None else None
    many = f"{limits.gauge_stuck_strokes} answered strokes without a change, then one reading"
    implausible_s = None if frame_s is None else IMPLAUSIBLE_FRAMES * frame_s
    no_rate = absent if gauge is None else "no pressure_rate in the setup"
    return [
        _when(OVER_PRESSURE, frame_s, "one gauge period and its latency", absent),
        _when(PRESSURE_RATE, rate_s, "two gauge periods and their latency", no_rate),
        _when(GAUGE_STALE, stale_s, "no good reading for the stated time", absent),
        _when(GAUGE_IMPLAUSIBLE, implausible_s, "several readings in a row", absent),
        _when(GAUGE_STUCK, stuck_s, many, absent),
    ]


def _channels(setup: Setup) -> list[Watch]:
    limits, given = setup.limits, sources(setup)
    found, slowest_s = [], None
    for rule, channel, set_limits in (
        (OIL_TEMPERATURE, "oil_temperature", (limits.oil_temperature_degc,)),
        (
            SUPPLY_VOLTAGE,
            "supply_voltage",
            (limits.supply_voltage_min_v, limits.supply_voltage_max_v),
        ),
        (COIL_CURRENT, "coil_current", (limits.coil_current_a,)),
        (CYLINDER_PRESSURE, "cylinder_pressure", (limits.cylinder_pressure_kpa,)),
        (
            ENGINE_SPEED,
            "engine_speed",
            (limits.engine_speed_min_rpm, limits.engine_speed_max_rpm),
        ),
    ):
        source, plain = given.get(channel), channel.replace("_", " ")
        if source is None:
            found.append(_when(rule, None, "", f"no {plain} sensor in the setup"))
        elif all(limit is None for limit in set_limits):
            found.append(_when(rule, None, "", f"no limit of {plain} in the setup"))
        else:
            why = f"one reading of the {source.name}, and its latency"
            found.append(_when(rule, source.period_s + source.latency_s, why))
            slowest_s = max(slowest_s or 0.0, stale_s(setup, channel) or 0.0)
    quiet = "no channel with a limit beside the pressure"
    found.append(_when(CHANNEL_STALE, slowest_s, "no good reading for the stated time", quiet))
    return found


def _loops(setup: Setup) -> list[Watch]:
    stop_s = 0.0 if setup.stop_input else None
    cover_s = 0.0 if setup.cover_input else None
    return [
        _when(STOP_INPUT, stop_s, "polled", "no stop input in the setup"),
        _when(COVER_INPUT, cover_s, "polled", "no guard cover input in the setup"),
    ]


def _program(setup: Setup) -> list[Watch]:
    limits = setup.limits
    dead = (
        Watch(HEARTBEAT, True, None, "the heartbeat circuit's own hold time", "hardware")
        if setup.heartbeat
        else Watch(HEARTBEAT, False, None, "no heartbeat line in the setup")
    )
    return [
        _when(EDGE_SOURCE, EDGE_LOST_S, "line level polled beside its edges"),
        _when(RECORDER, limits.recorder_lag_s, "the age of the oldest record not stored"),
        _when(DISK, 1.0, "free space, looked at once a second"),
        _when(LINK, limits.link_time_s, "silence of the desk")._replace(action="end"),
        _when(LOOP, limits.loop_late_s, "the interlock's own tick"),
        dead,
    ]
