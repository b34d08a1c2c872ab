# SPDX-License-Identifier: MIT
"""Rules on coil current, cylinder pressure, engine speed, and silent sensors.

Every comparison is written so that NaN trips: `not (value <= limit)`.
"""

from __future__ import annotations

from rig.bench.interlock import registry
from rig.bench.interlock.coil_and_program_rules import Finding
from rig.core.rounding import apart


def coil_current(current_a: float, limit_a: float) -> Finding | None:
    """More current than the coil may carry, in either direction: a sensor wired the wrong way round
    reads below zero."""
    if abs(current_a) <= limit_a:
        return None
    return Finding(
        registry.COIL_CURRENT, current_a, limit_a, "A",
        f"The coil draws {current_a:.2f} A, over the limit of {limit_a:.2f} A: turns shorted, a "
        "wire chafed through, or another coil than the setup says. Measure its resistance.",
    )  # fmt: skip


def cylinder_pressure(pressure_kpa: float, limit_kpa: float) -> Finding | None:
    """Cylinder pressure above the limit."""
    if pressure_kpa <= limit_kpa:
        return None
    return Finding(
        registry.CYLINDER_PRESSURE, pressure_kpa, limit_kpa, "kPa",
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
        registry.ENGINE_SPEED, speed_rpm, limit_rpm, "rpm",
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
        registry.CHANNEL_STALE, age_s, limit_s, "s",
        f"No good reading of {plain} for {age_s:.2f} s (limit {limit_s:.2f} s), so its "
        f"limit is not watched. Check {sensor}, its supply and its wires.",
    )  # fmt: skip
