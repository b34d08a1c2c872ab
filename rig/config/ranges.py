# SPDX-License-Identifier: MIT
"""Floor and ceiling of every limit and delay of setup and sheet, and of stated conditions.

One table. The bounds are common practice, no source: wide enough for the work, narrow enough to
stop a wrong unit or a slipped digit from switching a rule off.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from rig.config.files.problems import Finding
from rig.config.files.reading import Unreadable


class Range(NamedTuple):
    """Both ends included, in `unit`; `scale` times the unit is the unit of the field's name."""

    low: float
    high: float
    unit: str
    why: str
    scale: float = 1.0

    @property
    def shown(self) -> str:
        """As in messages and help."""
        unit = f" {self.unit}" if self.unit else ""
        return f"{self.low:g}{unit} to {self.high:g}{unit}"

    def holds(self, value: float) -> bool:
        """Whether `value`, in the unit of the field's name, is inside. NaN is not."""
        tiny = 1e-9 * self.high * self.scale
        return self.low * self.scale - tiny <= value <= self.high * self.scale + tiny

    def finding(self, where: tuple[str, ...]) -> Finding:
        """What to say of a value outside."""
        return Finding(
            where,
            f"outside {self.shown}: {self.why}",
            f"write a value from {self.shown}; check the unit and the decimal point",
        )


SWITCHED_OFF = "with more, the rule no longer protects anything; with less, it trips a healthy run"
NO_COIL = "no solenoid of this kind is fed or built like that"
HEAT = "longer, the coil may overheat before anything trips; shorter, the relay cannot follow"
MS = 1e-3

SETUP_RANGES: Mapping[tuple[str, str], Range] = {
    ("coil", "supply_voltage_v"): Range(1, 36, "V", NO_COIL),
    ("coil", "fuse_a"): Range(0.05, 30, "A", "such a fuse protects no wiring of a solenoid"),
    ("coil", "resistance_ohm"): Range(0.2, 2000, "ohm", NO_COIL),
    ("relay", "operate_delay_s"): Range(0, 500, "ms", "a relay that slow is defective", MS),
    ("relay", "release_delay_s"): Range(0, 500, "ms", "a relay that slow is defective", MS),
    ("coil_heating", "thermal_resistance_k_w"): Range(0.1, 200, "K/W", NO_COIL),
    ("coil_heating", "time_constant_s"): Range(1, 7200, "s", NO_COIL),
    ("coil_heating", "surroundings_degc"): Range(-40, 180, "degC", "no rig works in that"),
    ("coil_heating", "temperature_limit_degc"): Range(
        30, 250, "degC", "above it no usual winding insulation lasts; below it the rig never starts"
    ),
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
"""(table, field): range. What is not given is not checked."""

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
"""Share of the setup's supply voltage that a stated one may lie beside it."""


def key(field: str) -> str:
    """The key of a field: its name without the unit."""
    units = ("_thermal_resistance_k_w", "_kpa_s", "_k_w", "_kpa", "_degc", "_rpm", "_ohm", "_s")
    for unit in (*units, "_v", "_a"):
        if field.endswith(unit):
            return field.removesuffix(unit)
    return field


def setup_in_range(setup: Any) -> Iterator[Finding]:
    """Every limit and delay of a setup lies in its range."""
    for (table, field), allowed in SETUP_RANGES.items():
        value = _read(_read(setup, table), field)
        if value is not None and not allowed.holds(value):
            yield allowed.finding((table, key(field)))


def sheet_in_range(sheet: Any) -> Iterator[Finding]:
    """Every time and pressure of a sheet lies in its range."""
    for field, allowed in SHEET_RANGES.items():
        value = _read(sheet, field)
        if value is not None and not allowed.holds(value):
            yield allowed.finding((key(field),))


def _read(model: Any, field: str) -> Any:
    try:
        return getattr(model, field, None)
    except Unreadable:  # refused for another reason, which is said already
        return None


def conditions_apart(
    setup: Any, sheet: Any, conditions: Mapping[str, Mapping[str, Any]]
) -> Iterator[tuple[str, str]]:
    """Stated conditions that contradict the files: the condition's name, and what is wrong."""
    base = conditions.get("base_pressure")
    least = sheet.base_pressure_min_kpa
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
