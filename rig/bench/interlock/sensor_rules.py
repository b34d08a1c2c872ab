# SPDX-License-Identifier: MIT
"""Rules on coil current, cylinder pressure, engine speed, and silent sensors.

Every comparison is written so that NaN trips: `not (value <= limit)`.
"""

from __future__ import annotations

from rig.bench.interlock import gauge_rules
from rig.bench.interlock.rule import Finding, Reaction, Rule, channel_rule, when
from rig.config.analog.channels import sources, stale_s
from rig.config.setup.model import Setup
from rig.core.rounding import apart

COIL_CURRENT, CYLINDER_PRESSURE = "coil current", "cylinder pressure"
ENGINE_SPEED, CHANNEL_STALE = "engine speed", "reading stale"


def coil_current(current_a: float, limit_a: float) -> Finding | None:
    """More current than the coil may carry, in either direction: a sensor wired the wrong way round
    reads below zero."""
    if abs(current_a) <= limit_a:
        return None
    return Finding(
        COIL_CURRENT, current_a, limit_a, "A",
        f"The coil draws {current_a:.2f} A, over the limit of {limit_a:.2f} A: turns shorted, a "
        "wire chafed through, or another coil than the setup says. Measure its resistance.",
    )  # fmt: skip


def cylinder_pressure(pressure_kpa: float, limit_kpa: float) -> Finding | None:
    """Cylinder pressure above the limit."""
    if pressure_kpa <= limit_kpa:
        return None
    return Finding(
        CYLINDER_PRESSURE, pressure_kpa, limit_kpa, "kPa",
        f"Cylinder pressure {apart(pressure_kpa, limit_kpa)} kPa is over the limit of "
        f"{apart(limit_kpa, pressure_kpa)} kPa. "
        "Releasing the coil does not lower it: stop the engine, ignition and fuel off, and let it "
        "stand before touching the transducer.",
    )  # fmt: skip


def engine_speed(speed_rpm: float, low_rpm: float | None, high_rpm: float | None) -> Finding | None:
    """Engine slower or faster than the run is meant for."""
    if (low_rpm is None or speed_rpm >= low_rpm) and (high_rpm is None or speed_rpm <= high_rpm):
        return None
    limit_rpm = low_rpm if low_rpm is not None and not speed_rpm >= low_rpm else high_rpm
    return Finding(
        ENGINE_SPEED, speed_rpm, limit_rpm, "rpm",
        f"Engine at {speed_rpm:.0f} rpm is beyond its limit of {limit_rpm:.0f} rpm: oil pressure "
        "and times belong to another speed. Releasing the coil does not slow it: bring it to idle.",
    )  # fmt: skip


CHECKS = {
    "oil_temperature": "the oil temperature sensor",
    "supply_voltage": "the supply voltage's divider",
    "coil_current": "the current sensor",
    "cylinder_pressure": "the cylinder's transducer",
    "engine_speed": "the pulse line",
}


def channel_stale(channel: str, age_s: float, limit_s: float) -> Finding | None:
    """No believable reading of a watched channel for longer than the limit."""
    if age_s <= limit_s:
        return None
    sensor = CHECKS.get(channel, "its sensor")
    plain = channel.replace("_", " ")
    return Finding(
        CHANNEL_STALE, age_s, limit_s, "s",
        f"No good reading of {plain} for {age_s:.2f} s (limit {limit_s:.2f} s), so its "
        f"limit is not watched. Check {sensor}, its supply and its wires.",
    )  # fmt: skip


def _of_stale(setup: Setup) -> Reaction:
    """Of the slowest channel with a limit."""
    given = sources(setup)
    slowest_s = [
        stale_s(setup, rule.channel) or 0.0
        for rule in (*gauge_rules.RULES, *RULES)
        if rule.channel in given and any(limit is not None for limit in rule.set_limits(setup))
    ]
    return when(
        max(slowest_s, default=None),
        "no good reading for the stated time",
        "no channel with a limit beside the pressure",
    )


RULES = (
    channel_rule(
        COIL_CURRENT, "coil_current", ("coil_current_a",), coil_current,
        acts="more than `limits.coil_current`",
        first="open the mushroom stop, then measure the coil's resistance at the plug; a shorted "
        "coil or a second feed draws too much",
    ),
    channel_rule(
        CYLINDER_PRESSURE, "cylinder_pressure", ("cylinder_pressure_kpa",), cylinder_pressure,
        acts="more than `limits.cylinder_pressure`",
        first="look at the engine (speed, load, mixture) before the transducer",
    ),
    channel_rule(
        ENGINE_SPEED, "engine_speed", ("engine_speed_min_rpm", "engine_speed_max_rpm"),
        engine_speed,
        acts="slower than `limits.engine_speed_min` or faster than `limits.engine_speed_max`",
        first="look at the idle, then at the pick-up and its wire",
    ),
    Rule(
        CHANNEL_STALE, "channel", "one of these five, with its limit",
        "no good reading of it for `limits.gauge_stale`, or for three of its periods and at least "
        "0.5 s",
        "look at the sensor of that channel, its supply, cable and settings",
        _of_stale, ("gauge_stale_s",),
    ),
)  # fmt: skip
"""One entry for each rule of this module."""
