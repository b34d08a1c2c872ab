# SPDX-License-Identifier: MIT
"""Rules on sensor readings: pressure, its rate, the gauge itself, temperature, supply.

Every comparison is written so that NaN trips: `not (value <= limit)`.
"""

from __future__ import annotations

from rig.bench.interlock.rule import Finding, Reaction, Rule, channel_rule
from rig.config.setup.model import Setup
from rig.core.rounding import apart

OVER_PRESSURE, PRESSURE_RATE = "over-pressure", "pressure rising"
GAUGE_STALE, GAUGE_IMPLAUSIBLE, GAUGE_STUCK = "gauge stale", "gauge implausible", "gauge stuck"
OIL_TEMPERATURE, SUPPLY_VOLTAGE = "oil temperature", "supply voltage"

IMPLAUSIBLE_FRAMES = 3
"""Consecutive readings outside the measuring range that are no longer noise."""

NOT_LOWERED = (
    "Releasing the coil does not lower the supply pressure: bring the engine to idle or shut the "
    "supply valve, and let the pressure fall before going near the fittings."
)


def is_over(pressure_kpa: float, limit_kpa: float) -> bool:
    """Whether a reading is above the limit, without building a message."""
    return not pressure_kpa <= limit_kpa


def over_pressure(pressure_kpa: float, limit_kpa: float) -> Finding | None:
    """A reading above the limit."""
    if not is_over(pressure_kpa, limit_kpa):
        return None
    return Finding(
        OVER_PRESSURE, pressure_kpa, limit_kpa, "kPa",
        f"Pressure {apart(pressure_kpa, limit_kpa)} kPa is over the limit of "
        f"{apart(limit_kpa, pressure_kpa)} kPa. {NOT_LOWERED}",
    )  # fmt: skip


def pressure_rate(rate_kpa_s: float, limit_kpa_s: float) -> Finding | None:
    """A rise that no stroke explains."""
    if rate_kpa_s <= limit_kpa_s:
        return None
    return Finding(
        PRESSURE_RATE, rate_kpa_s, limit_kpa_s, "kPa/s",
        f"The pressure rose by {apart(rate_kpa_s, limit_kpa_s)} kPa/s while no stroke explains it "
        f"(limit {apart(limit_kpa_s, rate_kpa_s)} kPa/s): engine speed, supply valve or "
        f"relief valve. {NOT_LOWERED}",
    )  # fmt: skip


def gauge_stale(age_s: float, limit_s: float) -> Finding | None:
    """No believable reading for longer than the limit."""
    if age_s <= limit_s:
        return None
    return Finding(
        GAUGE_STALE, age_s, limit_s, "s",
        f"No good reading from the gauge for {age_s:.2f} s (limit {limit_s:.2f} s), so the "
        "pressure is not known. Check the gauge's supply, its cable and its settings.",
    )  # fmt: skip


def gauge_implausible(in_a_row: int, allowed: int, value_kpa: float | None) -> Finding | None:
    """Consecutive readings outside what the gauge can show."""
    if in_a_row < allowed:
        return None
    shown = "" if value_kpa is None else f" (last {round(value_kpa, 0) + 0.0:.0f} kPa)"
    return Finding(
        GAUGE_IMPLAUSIBLE, float(in_a_row), float(allowed), "readings",
        f"{in_a_row} readings in a row{shown} lie outside the gauge's measuring range. Sensor, "
        "cable or unit is wrong, or measuring_range in the setup is.",
    )  # fmt: skip


def unit_changed() -> Finding:
    """Somebody switched the gauge's unit during the run."""
    return Finding(
        GAUGE_IMPLAUSIBLE, None, None, "",
        "The gauge sends another unit than the setup says, so its numbers cannot be believed. Set "
        "the gauge back, or change the unit in the setup.",
    )  # fmt: skip


def gauge_stuck(strokes: int, allowed: int) -> Finding | None:
    """The switch responded stroke after stroke and the reading never moved."""
    if strokes < allowed:
        return None
    return Finding(
        GAUGE_STUCK, float(strokes), float(allowed), "strokes",
        f"The gauge showed one and the same value over {strokes} strokes that the switch "
        "answered. Its display is held, its port is blocked, or a valve before it is shut.",
    )  # fmt: skip


def oil_temperature(temperature_degc: float, limit_degc: float) -> Finding | None:
    """Oil temperature above the limit."""
    if temperature_degc <= limit_degc:
        return None
    return Finding(
        OIL_TEMPERATURE, temperature_degc, limit_degc, "degC",
        f"Oil at {apart(temperature_degc, limit_degc)} degC is over the limit of "
        f"{apart(limit_degc, temperature_degc)} degC. Let it cool; hot oil burns at once.",
    )  # fmt: skip


def supply_voltage(voltage_v: float, low_v: float | None, high_v: float | None) -> Finding | None:
    """Supply voltage outside its limits."""
    if (low_v is None or voltage_v >= low_v) and (high_v is None or voltage_v <= high_v):
        return None
    limit_v = low_v if low_v is not None and not voltage_v >= low_v else high_v
    return Finding(
        SUPPLY_VOLTAGE, voltage_v, limit_v, "V",
        f"Supply at {voltage_v:.1f} V is outside its limit of {limit_v:.1f} V. Check battery, "
        "charger and connections; times taken at another voltage do not compare.",
    )  # fmt: skip


def _of_gauge(setup: Setup, frames: float, why: str) -> Reaction:
    """So many gauge periods, each with its latency."""
    gauge = setup.pressure_source
    if gauge is None or setup.limits.pressure_kpa is None:
        return Reaction(None, NO_GAUGE)
    return Reaction(frames * (gauge.period_s + gauge.latency_s), why)


def _of_rate(setup: Setup) -> Reaction:
    if setup.pressure_source is not None and setup.limits.pressure_rate_kpa_s is None:
        return Reaction(None, "no pressure_rate in the setup")
    return _of_gauge(setup, 2, "two gauge periods and their latency")


def _of_stale(setup: Setup) -> Reaction:
    known = _of_gauge(setup, 1, "no good reading for the stated time")
    return known if known.seconds is None else known._replace(seconds=setup.gauge_stale_s)


NO_GAUGE = "no gauge in the setup"
RULES = (
    Rule(
        OVER_PRESSURE, "pressure", "a pressure", "one reading above `limits.pressure`",
        "bring the engine to idle or shut the supply, then look for why the pressure rose (relief "
        "valve, speed, supply valve)",
        lambda setup: _of_gauge(setup, 1, "one gauge period and its latency"),
        ("pressure_kpa",),
    ),
    Rule(
        PRESSURE_RATE, "pressure", "a pressure, `limits.pressure_rate`",
        "pressure rises faster and no stroke explains it",
        "look for what raised the pressure while no stroke did (speed, supply valve, relief "
        "valve)",
        _of_rate, ("pressure_rate_kpa_s", "answer_time_s"),
    ),
    Rule(
        GAUGE_STALE, "pressure", "a pressure", "no good reading for `limits.gauge_stale`",
        "look at the gauge, its supply, cable and settings",
        _of_stale, ("gauge_stale_s",),
    ),
    Rule(
        GAUGE_IMPLAUSIBLE, "pressure", "a pressure",
        "three readings in a row outside the measuring range, or another unit",
        "look at the gauge, its supply, cable and settings, its unit first",
        lambda setup: _of_gauge(setup, IMPLAUSIBLE_FRAMES, "several readings in a row"),
    ),
    Rule(
        GAUGE_STUCK, "pressure", "a pressure",
        "the reading never changed over `limits.gauge_stuck_strokes` answered strokes",
        "look whether the gauge's display is held, its port blocked, or a valve before it shut",
        lambda setup: _of_gauge(
            setup, 1,
            f"{setup.limits.gauge_stuck_strokes} answered strokes without a change, then one "
            "reading",
        ),
        ("gauge_stuck_strokes",),
    ),
    channel_rule(
        OIL_TEMPERATURE, "oil_temperature", ("oil_temperature_degc",), oil_temperature,
        acts="oil above `limits.oil_temperature`",
        first="let the oil cool, and look at its level and cooling",
    ),
    channel_rule(
        SUPPLY_VOLTAGE, "supply_voltage", ("supply_voltage_min_v", "supply_voltage_max_v"),
        supply_voltage,
        acts="supply outside its limits",
        first="look at battery, charger and connections, and measure at the relay",
    ),
)  # fmt: skip
"""One entry for each rule of this module."""
