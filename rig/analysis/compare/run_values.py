# SPDX-License-Identifier: MIT
"""Input of a comparison from a stored result: the figure of every stroke, and the conditions."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from rig.analysis.measure.marks import CUT_SHORT
from rig.core.recording import Float
from rig.core.results.run import ChannelFigures, Result, figure_of

PRESSURE, SUPPLY, OIL, ENGINE = "pressure", "supply_voltage", "oil_temperature", "engine_speed"
UNITS = {PRESSURE: "kPa", SUPPLY: "V", OIL: "degC", ENGINE: "rpm"}
"""The conditions that a comparison corrects for, in the order in which they are shown."""
NAMES = {
    PRESSURE: "pressure",
    SUPPLY: "coil supply",
    OIL: "oil temperature",
    ENGINE: "engine speed",
}
STATED_AS = {PRESSURE: "base_pressure", ENGINE: "idle_speed"}
"""The name of a condition as stated by a person, where it is different."""

HALF_WIDTHS = {PRESSURE: 0.01, SUPPLY: 0.01, ENGINE: 0.02}
"""Half width of a stated condition, as a share of it (common practice, no source)."""
OIL_HALF_WIDTH_K = 2.0
"""Half width of a stated oil temperature (common practice, no source)."""
INSTRUMENT_SHARE = 0.01
"""Half width of the difference between two setups' instruments, as a share, where neither states it
(common practice, no source)."""
OIL_INSTRUMENT_K = 1.0


class Condition(NamedTuple):
    """One condition of a run: `value` in UNITS; `u_scatter` the standard uncertainty from its own
    scatter, `u_instrument` that of the instrument, shared by a second run of the same setup;
    `measured`, or stated by a person."""

    value: float
    u_scatter: float
    u_instrument: float
    measured: bool


def values_of(result: Result, figure: str) -> Float:
    """A figure of every stroke (n,), NaN where it has no number, was cut short, or follows a rest:
    of the same strokes as the run's own mean, including doubtful ones."""
    found = [figure_of(stroke, figure) for stroke in result["strokes"]]
    values = np.array([np.nan if value is None else value for value in found], float)
    rest = set(result["rest_strokes"])
    aside = [
        stroke["number"] in rest or CUT_SHORT in (stroke.get("marks") or ())
        for stroke in result["strokes"]
    ]
    return np.where(aside, np.nan, values)


def run_number(result: Result) -> int:
    """The number of a run that is compared: only a capture not in the log has none."""
    return result["run"] or 0


def oil_degc(result: Result) -> float | None:
    """The run's oil temperature; None where it is not known."""
    found = conditions_of(result).get(OIL)
    return None if found is None else found.value


def conditions_of(result: Result) -> dict[str, Condition]:
    """The conditions of a run, measured before stated; unknown ones are left out.

    The pressure is the gauge level with the coil energised (median over the strokes), which acts on
    the switch wherever the gauge is; else the base pressure as stated.
    """
    found: dict[str, Condition] = {}
    held = [one["high_kpa"] for stroke in result["strokes"] if (one := stroke.get("pressure"))]
    levels = np.array([level for level in held if level is not None], float)
    channels = result.get("channels") or {}
    if len(levels):
        scatter = float(levels.std(ddof=1)) if len(levels) > 1 else 0.0
        found[PRESSURE] = _measured(
            PRESSURE, float(np.median(levels)), scatter / math.sqrt(len(levels)), channels
        )
    for name in (SUPPLY, OIL):
        seen = channels.get(name)
        if seen is not None and seen["mean"] is not None:
            # one reading resembles the next: their number says nothing
            found[name] = _measured(name, seen["mean"], seen["sd"] or 0.0, channels)
    engine = result.get("engine")
    if engine is not None:
        jitter = engine["jitter"] / math.sqrt(max(engine["revolutions"], 1))
        found[ENGINE] = Condition(engine["mean_rpm"], jitter * engine["mean_rpm"], 0.0, True)
    for name, unit in UNITS.items():
        value = _stated(result, STATED_AS.get(name, name), unit)
        if name not in found and value is not None:
            half = OIL_HALF_WIDTH_K if name == OIL else HALF_WIDTHS[name] * abs(value)
            found[name] = Condition(value, half / math.sqrt(3), 0.0, False)
    return found


def _measured(
    name: str, value: float, u_scatter: float, channels: Mapping[str, ChannelFigures]
) -> Condition:
    stated = channels[name]["uncertainty"] if name in channels else None
    half = OIL_INSTRUMENT_K if name == OIL else INSTRUMENT_SHARE * abs(value)
    return Condition(value, u_scatter, half / math.sqrt(3) if stated is None else stated, True)


def _stated(result: Result, name: str, unit: str) -> float | None:
    given = result["conditions"].get(name)
    if given is None or given["unit"] != unit or isinstance(given["value"], str):
        return None
    return float(given["value"])


def u_between(before: Condition, after: Condition, *, same_setup: bool) -> float:
    """Standard uncertainty of the difference of a condition between two runs. An error of one
    instrument common to both cancels."""
    parts = [before.u_scatter, after.u_scatter]
    if not (same_setup and before.measured and after.measured):
        parts += [before.u_instrument, after.u_instrument]
    return math.hypot(*parts)
