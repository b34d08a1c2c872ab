# SPDX-License-Identifier: MIT
"""Lower and upper bounds of every limit and delay of setup and sheet, and of stated conditions.

One table. The bounds are common practice, no source: wide enough for the work, narrow enough to
stop a wrong unit or a slipped digit from switching a rule off.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

from rig.config.files.problems import Finding, Where
from rig.config.files.reading import Unreadable

if TYPE_CHECKING:
    from rig.core.results.run import Conditions


class Range(NamedTuple):
    """Both ends included, in `unit`; `scale` times the unit is the unit of the field's name."""

    low: float
    high: float
    unit: str
    why: str
    scale: float = 1.0

    @property
    def shown(self) -> str:
        """As printed in messages and help."""
        unit = f" {self.unit}" if self.unit else ""
        return f"{self.low:g}{unit} to {self.high:g}{unit}"

    def holds(self, value: float) -> bool:
        """Whether `value`, in the unit of the field's name, is inside. NaN is not."""
        tiny = 1e-9 * max(abs(self.low), abs(self.high)) * self.scale
        return self.low * self.scale - tiny <= value <= self.high * self.scale + tiny

    def finding(self, where: Where) -> Finding:
        """The message for a value outside."""
        return Finding(
            where,
            f"outside {self.shown}: {self.why}",
            f"write a value from {self.shown}; check the unit and the decimal point",
        )


SWITCHED_OFF = "with more, the rule no longer protects anything; with less, it trips a healthy run"
NO_COIL = "no solenoid of this kind is fed or built like that"
HEAT = "longer, the coil may overheat before anything trips; shorter, the relay cannot follow"
NO_PRESSURE = "below a vacuum, or above what oil or air of a rig can have"
NO_ENGINE = "no engine turns like that"
NO_SENSOR = "no sensor of a rig is wired like that"
NOT_OF_A_RIG = "a rig that is in order adds no such time"
NO_RESULT = "no healthy or faulty rig gives that, so the limit would judge nothing"
MS = 1e-3

SETUP_RANGES: Mapping[tuple[str, str], Range] = {
    ("coil", "supply_voltage_v"): Range(1, 36, "V", NO_COIL),
    ("coil", "fuse_a"): Range(0.05, 30, "A", "such a fuse protects no wiring of a solenoid"),
    ("coil", "resistance_ohm"): Range(0.2, 2000, "ohm", NO_COIL),
    ("relay", "operate_delay_s"): Range(0, 500, "ms", "a relay that slow is defective", MS),
    ("relay", "release_delay_s"): Range(0, 500, "ms", "a relay that slow is defective", MS),
    ("relay", "operate_delay_least_s"): Range(0, 500, "ms", "a relay that slow is defective", MS),
    ("relay", "release_delay_least_s"): Range(0, 500, "ms", "a relay that slow is defective", MS),
    ("timing", "response_mean_s"): Range(-500, 500, "ms", NOT_OF_A_RIG, MS),
    ("timing", "response_sd_s"): Range(0, 100, "ms", NOT_OF_A_RIG, MS),
    ("timing", "release_mean_s"): Range(-500, 500, "ms", NOT_OF_A_RIG, MS),
    ("timing", "release_sd_s"): Range(0, 100, "ms", NOT_OF_A_RIG, MS),
    ("timing", "operate_delay_s"): Range(0, 500, "ms", NOT_OF_A_RIG, MS),
    ("timing", "release_delay_s"): Range(0, 500, "ms", NOT_OF_A_RIG, MS),
    ("coil_heating", "thermal_resistance_k_w"): Range(0.1, 200, "K/W", NO_COIL),
    ("coil_heating", "time_constant_s"): Range(1, 7200, "s", NO_COIL),
    ("coil_heating", "surroundings_degc"): Range(-40, 180, "degC", "no rig works in that"),
    ("coil_heating", "temperature_limit_degc"): Range(
        30, 250, "degC", "above it no usual winding insulation lasts; below it the rig never starts"
    ),
    ("gauge", "period_s"): Range(0.001, 10, "s", "no gauge of a rig is that quick or slow"),
    ("gauge", "stated_latency_s"): Range(0, 10, "s", "a reading that old protects nothing"),
    ("gauge", "accuracy_kpa"): Range(0, 10_000, "kPa", "such a gauge tells nothing"),
    ("gauge", "measuring_range_kpa"): Range(-110, 100_000, "kPa", NO_PRESSURE),
    ("gauge", "expected_range_kpa"): Range(-110, 100_000, "kPa", NO_PRESSURE),
    ("converter", "reference_v"): Range(1, 5.5, "V", "the converter has no such reference"),
    ("converter", "rate_hz"): Range(10, 20_000, "Hz", "slower or faster, it watches nothing"),
    ("engine_speed", "highest_rpm"): Range(100, 60_000, "rpm", NO_ENGINE),
    ("engine_speed", "slowest_rpm"): Range(1, 1000, "rpm", NO_ENGINE),
    ("limits", "pressure_kpa"): Range(10, 100_000, "kPa", SWITCHED_OFF),
    ("limits", "on_time_s"): Range(0.01, 600, "s", HEAT),
    ("limits", "duty"): Range(0.1, 100, "%", SWITCHED_OFF, 0.01),
    ("limits", "duty_window_s"): Range(
        1, 600, "s", "shorter, it averages over less than a stroke; longer, the coil heats unseen"
    ),
    ("limits", "gauge_stale_s"): Range(0.05, 10, "s", SWITCHED_OFF),
    ("limits", "readback_delay_s"): Range(5, 1000, "ms", SWITCHED_OFF, MS),
    ("limits", "pressure_rate_kpa_s"): Range(1, 100_000, "kPa/s", SWITCHED_OFF),
    ("limits", "answer_time_s"): Range(0.01, 5, "s", SWITCHED_OFF),
    ("limits", "oil_temperature_degc"): Range(0, 200, "degC", SWITCHED_OFF),
    ("limits", "supply_voltage_min_v"): Range(0, 36, "V", SWITCHED_OFF),
    ("limits", "supply_voltage_max_v"): Range(1, 40, "V", SWITCHED_OFF),
    ("limits", "coil_current_a"): Range(0.01, 30, "A", SWITCHED_OFF),
    ("limits", "cylinder_pressure_kpa"): Range(10, 100_000, "kPa", SWITCHED_OFF),
    ("limits", "engine_speed_min_rpm"): Range(0, 10_000, "rpm", SWITCHED_OFF),
    ("limits", "engine_speed_max_rpm"): Range(1, 20_000, "rpm", SWITCHED_OFF),
    ("limits", "loop_late_s"): Range(10, 500, "ms", SWITCHED_OFF, MS),
    ("limits", "recorder_lag_s"): Range(0.5, 30, "s", SWITCHED_OFF),
    ("limits", "disk_free_mb"): Range(16, 1_000_000, "", SWITCHED_OFF),
    ("limits", "guard_time_s"): Range(10, 500, "ms", SWITCHED_OFF, MS),
    ("limits", "link_time_s"): Range(10, 300, "ms", SWITCHED_OFF, MS),
}
"""(table, field): range. Fields not listed are not checked; for a pair both ends are."""

ANALOG_RANGES: Mapping[str, Range] = {
    "divider_upper_ohm": Range(1, 10_000_000, "ohm", NO_SENSOR),
    "divider_lower_ohm": Range(1, 10_000_000, "ohm", NO_SENSOR),
    "pressure_range_kpa": Range(-110, 100_000, "kPa", NO_PRESSURE),
    "expected_range_kpa": Range(-110, 100_000, "kPa", NO_PRESSURE),
    "temperature_range_degc": Range(-80, 1000, "degC", NO_SENSOR),
    "current_range_a": Range(-100, 100, "A", NO_SENSOR),
    "voltage_range_v": Range(0, 36, "V", NO_SENSOR),
    "supply_v": Range(1, 36, "V", NO_SENSOR),
    "shunt_ohm": Range(0.0001, 10_000, "ohm", NO_SENSOR),
    "sensitivity_ohm": Range(0.0001, 10, "ohm", NO_SENSOR),
    "zero_v": Range(0, 5.5, "V", NO_SENSOR),
    "series_resistor_ohm": Range(1, 10_000_000, "ohm", NO_SENSOR),
    "resistance_25_ohm": Range(10, 10_000_000, "ohm", NO_SENSOR),
    "resistance_0_ohm": Range(10, 10_000, "ohm", NO_SENSOR),
}
"""Fields of each `[[analog]]`."""

ACCEPT_RANGES: Mapping[str, Range] = {
    "ms": Range(0, 60_000, "ms", NO_RESULT),
    "kPa": Range(-100_000, 100_000, "kPa", NO_RESULT),
    "kPa/s": Range(0, 100_000, "kPa/s", NO_RESULT),
    "": Range(0, 1_000_000, "", NO_RESULT),
}
"""Limits and margins of each `[[accept]]`, by the unit of their figure."""

SHEET_RANGES: Mapping[str, Range] = {
    "settle_wait_s": Range(0, 600, "s", "longer, the oil is no longer as it was stated"),
    "settle_window_s": Range(
        0.1, 1000, "ms", "shorter, a bounce counts as settled; longer, no stroke settles", MS
    ),
    "base_pressure_min_kpa": Range(1, 100_000, "kPa", "no oil or air supply of a rig gives that"),
    "on_time_s": Range(0.01, 600, "s", HEAT),
    "rest_s": Range(0.01, 3600, "s", "shorter, the relay cannot follow; longer, a rig waits"),
    "energise_first_s": Range(0.01, 600, "s", HEAT),
    "watch_s": Range(0.1, 7200, "s", "shorter, there is nothing to fit; longer, the oil cools"),
    "ramp_time_max_s": Range(0.1, 3600, "s", "a ramp this slow or fast is made by no hand"),
}

CONDITION_RANGES: Mapping[str, Range] = {
    "oil_temperature": Range(-40, 200, "degC", "no oil of a running rig is that cold or hot"),
    "base_pressure": Range(0, 100_000, "kPa", "no oil or air supply of a rig gives that"),
    "supply_voltage": Range(1, 36, "V", NO_COIL),
    "idle_speed": Range(0, 10_000, "rpm", "no engine idles at that speed"),
    "ambient_temperature": Range(-40, 70, "degC", "nobody works in that"),
}
SUPPLY_APART_MOST = 0.3
"""How far a stated supply voltage may be from the setup's, as a share."""


def key(field: str) -> str:
    """The key of a field: its name without the unit, and without "stated" if the field may be
    none."""
    field = field.removeprefix("stated_")
    units = ("_kpa_s", "_k_w", "_kpa", "_degc", "_rpm", "_ohm", "_hz", "_s", "_v", "_a")
    for unit in units:
        if field.endswith(unit):
            return field.removesuffix(unit)
    return field


def setup_in_range(setup: Any) -> Iterator[Finding]:
    """Every limit, delay, range and resistor of a setup is in its range."""
    for (table, field), allowed in SETUP_RANGES.items():
        yield from _outside(_read(setup, table), field, allowed, (table, key(field)))
    for n, item in enumerate(_read(setup, "analog") or ()):
        for field, allowed in ANALOG_RANGES.items():
            yield from _outside(item, field, allowed, ("analog", n, key(field)))


def sheet_in_range(sheet: Any) -> Iterator[Finding]:
    """Every time, pressure and limit of a sheet is in its range."""
    for field, allowed in SHEET_RANGES.items():
        yield from _outside(sheet, field, allowed, (key(field),))
    for n, accept in enumerate(_read(sheet, "accept") or ()):
        for name in ("min", "max", "margin"):
            allowed = ACCEPT_RANGES[accept.unit]
            yield from _outside(accept, f"{name}_value", allowed, ("accept", n, name))


def _outside(model: Any, field: str, allowed: Range, where: Where) -> Iterator[Finding]:
    value = _read(model, field)
    ends = value if isinstance(value, tuple) else () if value is None else (value,)
    if not all(allowed.holds(end) for end in ends):
        yield allowed.finding(where)


def _read(model: Any, field: str) -> Any:
    try:
        return getattr(model, field, None)
    except Unreadable:  # refused for another reason, already reported
        return None


def conditions_apart(setup: Any, sheet: Any, conditions: Conditions) -> Iterator[tuple[str, str]]:
    """Stated conditions that contradict the files: the condition's name, and what is wrong. `sheet`
    may be None."""
    base = conditions.get("base_pressure")
    least = sheet.base_pressure_min_kpa if sheet is not None else None
    if base is not None and least is not None and not base["value"] >= least:
        yield (
            "base_pressure",
            f"{base['value']:.0f} kPa is below the sheet's base_pressure_min ({least:.0f} kPa): "
            "a missed stroke would say nothing. Raise the pressure, or correct one of the two.",
        )
    supply, nominal = conditions.get("supply_voltage"), setup.coil.supply_voltage_v
    if supply is not None:
        apart = abs(supply["value"] - nominal)
        if not apart <= SUPPLY_APART_MOST * nominal:
            yield (
                "supply_voltage",
                f"{supply['value']:g} V is more than {100 * SUPPLY_APART_MOST:.0f} % from the "
                f"setup's coil.supply_voltage ({nominal:g} V). Measure it at the relay, or use "
                "the setup of this supply.",
            )
