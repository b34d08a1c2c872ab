# SPDX-License-Identifier: MIT
"""Findings on the pressure: gauge position, level and rest, rise, ripple, faults of the gauge."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np

from rig.analysis.measure import marks
from rig.analysis.measure.conditions import stated
from rig.analysis.measure.gauge_position import NEAR_ZERO_KPA, gauge_seen
from rig.analysis.measure.pressure_at import pressure_of
from rig.analysis.measure.stroke_windows import NEVER, stroke_windows
from rig.config.sheet.model import Accept, StrokesSheet
from rig.core.recording import Float
from rig.diagnosis.findings.gauge_signal import NO_GAUGE, gauge_signal
from rig.diagnosis.findings.model import Finding, RunSeen, graded, hidden, seen

BEHIND = ("level_on", "level_off", "rise", "rise_start", "fall", "fall_start", "ripple")
"""Findings that only a gauge behind the valve gives."""

Place = Literal["behind", "in front", "not known", "none"]

LEVEL = (0.10, 0.78, 0.93, 1.06, 1.18)
"""Share of the level that it should reach (common practice, no source)."""
LEVEL_STATES = ("none", "low", "bit_low", "right", "bit_high", "high")
BASE = (0.78, 0.93, 1.07)
BASE_STATES = ("low", "bit_low", "right", "high")
"""Base pressure over that of a known-good run (common practice, no source)."""
OTHER_LEVEL = 0.01
"""Difference of the same rig from one day to another (relative standard deviation)."""
RESIDUAL = (0.08, 0.75)
"""Pressure with the coil off over the level with the coil on: above the first residual, above the
second full (common practice, no source)."""
TRACE = 0.018
"""Share of the level by which pressure with the coil off may exceed the known-good run's; above it
there is a trace of pressure (common practice, no source)."""
RISE_OF_GOOD = (0.93, 1.06, 1.3, 3.0)
RISE_STATES = ("short", "right", "bit_slow", "slow", "very_slow")
FALL_OF_GOOD, FALL_STATES = (0.96, 1.06, 1.3), ("short", "right", "bit_slow", "slow")
"""Ratio to a known-good run's rise and fall: below the first short, above the others slower and
slower (common practice, no source)."""
START_OF_GOOD, START_STATES = (0.93, 1.07, 1.3), ("early", "right", "bit_late", "late")
"""Ratio to a known-good run's delay until a tenth of the rise or fall is done: before it solenoid
and spool move, after it oil flows (common practice, no source)."""
RISE_U, FALL_U = 0.02, 0.01
"""Relative standard uncertainty of the ratio of two medians (common practice)."""
RISE_OF_LIMIT = 0.45
"""Without a known-good run: a rise longer than this share of the response limit is slow (common
practice, no source)."""
RIPPLE, GREAT_RIPPLE = 1.8, 9.0
"""Ratio to a known-good run's ripple: above the first much, above the second very much."""
RIPPLE_SHARE = 0.035
"""Without a known-good run: ripple above this share of the level is much (common practice, no
source)."""
FACTORS = (6.895, 0.145, 14.504, 0.0689, 100.0, 0.01, 10.0, 0.1, 3.386, 0.2953, 98.07, 0.0102)
"""kPa, psi, bar, MPa, inHg, kgf/cm^2 mistaken for one another, and a decimal point one place
off."""
FACTOR_U = 0.06
ACTS = 1.12
"""Ratio to the pressure of a known-good switch."""


class GaugePlace(NamedTuple):
    """Gauge position, and how it is known."""

    place: Place
    why: str


def gauge_place(run: RunSeen, told: Place | None) -> GaugePlace:
    """As stated by a person, else from the readings: a gauge that rests near zero or rises with the
    coil is behind the valve; one that holds pressure while the switch follows the coil is in
    front."""
    if run.result.pressures is None:
        return GaugePlace("none", NO_GAUGE)
    if told is not None:
        return GaugePlace(told, "as stated")
    kept = gauge_seen(run.result.pressures, np.arange(len(run.result.strokes)))
    if not kept.of:
        return GaugePlace(
            "not known",
            "the gauge gave no readings in strokes; state gauge_at in the file of checks",
        )
    if kept.of and (kept.near_zero or kept.rose * 2 > kept.of):
        return GaugePlace("behind", "it rests near zero or rises with the coil")
    table = run.result.strokes
    if len(table) and table.answered.all():
        return GaugePlace("in front", "it holds its pressure while the switch follows the coil")
    return GaugePlace(
        "not known",
        "the gauge stands at a pressure that does not follow the coil: it is in front of the "
        "valve, or pressure is trapped behind it; state gauge_at in the file of checks",
    )


def gauge_findings(run: RunSeen, good: RunSeen | None, told: Place | None) -> list[Finding]:
    """Every finding from the pressure. `told` is the gauge position stated by a person; else a
    known-good run on the same rig gives it."""
    if (
        told is None
        and good is not None
        and gauge_place(good, None).place in ("behind", "in front")
    ):
        told = gauge_place(good, None).place
    place = gauge_place(run, told)
    found = [_base(run, good, place), gauge_signal(run)]
    if place.place != "behind" or run.result.kind != "strokes":
        why = {
            "none": NO_GAUGE,
            "in front": "the gauge is in front of the valve and shows nothing behind it",
        }.get(place.place, place.why)
        if run.result.kind != "strokes":
            why = f"this run is a {run.result.kind}, not strokes"
        found += [hidden(name, why) for name in BEHIND]
        found += [_scale(_median_kpa(run), run, good), *_switch_pressures(run, good)]
        return found
    level, rest = _levels(run)
    found += [_level_on(level, rest, run, good), _level_off(level, rest, good)]
    found += [_rise(run, good), _fall(run, good), _ripple(run, good, level)]
    found += [_start(run, good, "rise_start", "delay_10_ms")]
    found += [_start(run, good, "fall_start", "fall_delay_10_ms")]
    found += [_scale(level, run, good)]
    return [*found, *_switch_pressures(run, good)]


def _levels(run: RunSeen) -> tuple[float, float]:
    """Median level with the coil on, and off, kPa, over the strokes that ran their full time."""
    pressures, table = run.result.pressures, run.result.strokes
    if pressures is None:
        return math.nan, math.nan
    whole = (table.mark_bits & marks.bit(marks.CUT_SHORT)) == 0
    rows = whole if whole.any() else np.ones(len(table), np.bool_)
    high, low = (pressures.columns[name][rows] for name in ("high_kpa", "low_kpa"))
    return _median(high), _median(low)


def _median(values: Float) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


def _median_kpa(run: RunSeen) -> float:
    pressure = pressure_of(run.recording, run.setup)
    return float("nan") if pressure is None else _median(pressure.value[pressure.good])


def _good_level(good: RunSeen | None) -> float | None:
    """The level that a known-good run reached; None unless its gauge was behind the valve."""
    if good is None or gauge_place(good, None).place != "behind":
        return None
    level = _levels(good)[0]
    return level if level > NEAR_ZERO_KPA else None


def _level_on(level: float, rest: float, run: RunSeen, good: RunSeen | None) -> Finding:
    if not np.isfinite(level):
        return hidden("level_on", "no readings with the coil energised")
    reference = _good_level(good)
    states = LEVEL_STATES
    if reference is not None and good is not None:
        words = (
            f"{level:.0f} kPa behind the valve with the coil on, {reference:.0f} kPa in {good.name}"
        )
        u = OTHER_LEVEL
        return graded("level_on", max(level, 0.1) / reference, u, LEVEL, states, words)
    if level < NEAR_ZERO_KPA and rest < NEAR_ZERO_KPA:
        words = f"no pressure behind the valve with the coil on ({level:.0f} kPa)"
        return seen("level_on", "none", words)
    base_kpa = stated(run.conditions, "base_pressure", "kPa")[0]
    words = f"{level:.0f} kPa behind the valve with the coil on"
    if base_kpa:
        words += f", base pressure stated as {base_kpa:.0f} kPa"
        return graded("level_on", max(level, 0.1) / base_kpa, 0.08, LEVEL, states, words)
    least = run.sheet.base_pressure_min_kpa if isinstance(run.sheet, StrokesSheet) else None
    if least is None:
        return hidden("level_on", f"{words}, and neither a known-good run nor base_pressure_min to "
                      "hold it against")  # fmt: skip
    words += f", the sheet asks for {least:.0f} kPa at least"
    return graded(
        "level_on", max(level, 0.1) / least, 0.15, (0.15, 1.0), ("none", "low", "right"), words
    )


def _level_off(level: float, rest: float, good: RunSeen | None) -> Finding:
    if not np.isfinite(rest):
        return hidden("level_off", "no readings with the coil off")
    words = f"{rest:.0f} kPa behind the valve with the coil off"
    ratio = rest / max(level, rest, NEAR_ZERO_KPA)
    usual = _levels(good)[1] if good is not None and _good_level(good) else math.nan
    if good is not None and np.isfinite(usual):
        words += f", {usual:.0f} kPa in {good.name}"
        least = max(TRACE * max(level, 0.0), 2.0)
        if rest - usual < least:
            return seen("level_off", "zero", words, 0.98)
        if ratio < RESIDUAL[0]:
            return seen("level_off", "trace", words, 0.95)
    elif rest < NEAR_ZERO_KPA:
        return seen("level_off", "zero", words)
    states = ("trace", "residual", "full")
    return graded("level_off", ratio, 0.05, RESIDUAL, states, words)


def _rise(run: RunSeen, good: RunSeen | None) -> Finding:
    pressures = run.result.pressures
    if pressures is None:
        return hidden("rise", NO_GAUGE)
    rise = _median(pressures.columns["rise_ms"][1:])
    if not rise > 0.0:
        return hidden("rise", "the gauge is too slow to show the rise")
    reference = None
    if good is not None and good.result.pressures is not None:
        reference = _median(good.result.pressures.columns["rise_ms"][1:])
    if reference and good is not None:
        words = f"pressure behind the valve rises in {rise:.3g} ms, {reference:.3g} in {good.name}"
        return graded("rise", rise / reference, RISE_U, RISE_OF_GOOD, RISE_STATES, words)
    limits = [a.max_value for a in run.sheet.accept if a.figure == "response" and a.max_value]\
        if isinstance(run.sheet, StrokesSheet) else []  # fmt: skip
    if not limits:
        return hidden("rise", "neither a known-good run nor a limit to hold the rise against")
    words = f"pressure behind the valve rises in {rise:.3g} ms, the response limit is {limits[0]:g}"
    ratio = rise / (RISE_OF_LIMIT * min(limits))
    return graded("rise", ratio, 0.3, (1.0,), ("right", "slow"), words)


def _fall(run: RunSeen, good: RunSeen | None) -> Finding:
    """Only against a known-good run: there is no common limit for the fall."""
    fall, usual = (
        _median(one.result.pressures.columns["fall_ms"][1:])
        if one is not None and one.result.pressures is not None
        else math.nan
        for one in (run, good)
    )
    if good is None or not usual > 0.0 or not fall > 0.0:
        return hidden("fall", "the gauge is too slow to show the fall, here or in a known-good run")
    words = f"pressure behind the valve falls in {fall:.3g} ms, {usual:.3g} in {good.name}"
    return graded("fall", fall / usual, FALL_U, FALL_OF_GOOD, FALL_STATES, words)


def _start(run: RunSeen, good: RunSeen | None, name: str, column: str) -> Finding:
    """Only against a known-good run: there is no common limit for where a rise or fall begins."""
    mine, usual = (
        _median(one.result.pressures.columns[column][1:])
        if one is not None and one.result.pressures is not None
        else math.nan
        for one in (run, good)
    )
    what = name.removesuffix("_start")
    if good is None:
        return hidden(name, f"no known-good run shows where the {what} begins")
    if not usual > 0.0 or not mine > 0.0:
        why = f"the gauge is too slow to show where the {what} begins, here or in a known-good run"
        return hidden(name, why)
    words = f"a tenth of the {what} is done after {mine:.3g} ms, {usual:.3g} in {good.name}"
    return graded(name, mine / usual, RISE_U, START_OF_GOOD, START_STATES, words)


def ripple_kpa(run: RunSeen) -> float:
    """Standard deviation of the pressure in the second half of the energised time, each stroke
    about its own median; NaN with fewer than 10 readings."""
    pressure = pressure_of(run.recording, run.setup)
    windows = stroke_windows(run.recording)
    if pressure is None or not len(windows):
        return float("nan")
    off_ns = np.where(windows.off_ns < NEVER, windows.off_ns, windows.on_ns)
    low = np.searchsorted(pressure.t_ns, (windows.start_on_ns + off_ns) // 2)
    high = np.searchsorted(pressure.t_ns, off_ns)
    n, total, squares = 0, 0.0, 0.0  # stroke by stroke: there may be millions of readings
    for a, b in zip(low, high, strict=True):
        value = pressure.value[a:b][pressure.good[a:b]]
        if len(value) > 1:
            apart = value - np.median(value)
            n, total = n + len(apart), total + float(apart.sum())
            squares += float(apart @ apart)
    return math.sqrt(max(squares / n - (total / n) ** 2, 0.0)) if n >= 10 else math.nan


def _ripple(run: RunSeen, good: RunSeen | None, level: float) -> Finding:
    ripple = ripple_kpa(run)
    if not np.isfinite(ripple) or not level > NEAR_ZERO_KPA:
        return hidden("ripple", "too few readings with the coil on")
    words = f"pressure with the coil on ripples by {ripple:.2g} kPa (standard deviation)"
    reference = ripple_kpa(good) if good is not None else float("nan")
    usual = reference * RIPPLE if reference > 0.2 else RIPPLE_SHARE * level
    bounds, states = (1.0, GREAT_RIPPLE / RIPPLE), ("right", "much", "very_much")
    return graded("ripple", max(ripple, 0.01) / usual, 0.2, bounds, states, words)


def _base(run: RunSeen, good: RunSeen | None, place: GaugePlace) -> Finding:
    """The pressure in front of the valve: measured there, else stated."""
    least = run.sheet.base_pressure_min_kpa if isinstance(run.sheet, StrokesSheet) else None
    if place.place == "in front" and good is not None and _good_base(good):
        usual, mine = _median_kpa(good), _median_kpa(run)
        words = f"base pressure measured as {mine:.0f} kPa, {usual:.0f} kPa in {good.name}"
        return graded("base", mine / usual, OTHER_LEVEL, BASE, BASE_STATES, words)
    base_kpa, how = stated(run.conditions, "base_pressure", "kPa")
    u = 0.10 if how == "stated" else 0.04
    if place.place == "in front":
        base_kpa, how, u = _median_kpa(run), "measured", 0.04
    if base_kpa is None or not base_kpa > 0.0:
        why = "the base pressure was neither measured in front of the valve nor stated"
        return hidden("base", why)
    words = f"base pressure {how} as {base_kpa:.0f} kPa"
    if least is None:
        return hidden("base", f"{words}, and no base_pressure_min to hold it against")
    words += f", at least {least:.0f} kPa is asked for"
    finding = graded("base", base_kpa / least, u, (1.0,), ("low", "right"), words)
    if how != "stated":
        return finding
    # a typed number weighs less than a reading: it may be of another day, engine or unit
    eased = {state: 0.1 + 0.8 * p for state, p in finding.chances.items()}
    return Finding("base", eased, words)


def _good_base(good: RunSeen) -> bool:
    return gauge_place(good, None).place == "in front" and _median_kpa(good) > NEAR_ZERO_KPA


def _scale(level: float, run: RunSeen, good: RunSeen | None) -> Finding:
    """Whether the readings are wrong by the factor between two units."""
    reference = _good_level(good)
    told = stated(run.conditions, "base_pressure", "kPa")[0]
    reference = reference if reference is not None else told
    if run.result.pressures is None:
        return hidden("gauge_scale", NO_GAUGE)
    if reference is None or not level > 0.0:
        return hidden("gauge_scale", "no second reading of the pressure to hold the gauge against")
    ratio = level / reference
    apart = min(FACTORS, key=lambda factor: abs(np.log(ratio / factor)))
    words = f"the gauge shows {level:.3g} kPa where {reference:.3g} kPa is expected"
    if abs(np.log(ratio / apart)) < 3 * FACTOR_U:
        words += f": a factor of {ratio:.3g}; between two units it is {apart:g}"
        return seen("gauge_scale", "factor", words, 0.9)
    return seen("gauge_scale", "right", words, 0.9)


def _switch_pressures(run: RunSeen, good: RunSeen | None) -> list[Finding]:
    """Pressures at which the switch acts and resets: from a ramp, else from fast strokes."""
    found = []
    for name, figure, column in (
        ("acts_at", "actuation_pressure", "on"), ("resets_at", "reset_pressure", "off"),
    ):  # fmt: skip
        value = _switch_kpa(run, column)
        reference = _switch_kpa(good, column) if good is not None else float("nan")
        if not np.isfinite(value):
            found.append(hidden(name, "no ramp was run, and the gauge is too slow in strokes"))
            continue
        words = f"the switch {'acts' if column == 'on' else 'resets'} at {value:.0f} kPa"
        if np.isfinite(reference) and reference > 0 and good is not None:
            words += f", at {reference:.0f} kPa in {good.name}"
            bounds = (1 / ACTS, ACTS)
            found.append(graded(name, value / reference, 0.05, bounds, ("low", "right", "high"),
                                words))  # fmt: skip
            continue
        limits = [a for a in run.sheet.accept if a.figure == figure] if run.sheet else []
        found.append(_against_limits(name, value, words, limits))
    return found


def _against_limits(name: str, value: float, words: str, limits: Sequence[Accept]) -> Finding:
    low = max((a.min_value for a in limits if a.min_value is not None), default=None)
    high = min((a.max_value for a in limits if a.max_value is not None), default=None)
    if low is None and high is None:
        return hidden(name, f"{words}, and nothing to hold it against")
    if high is not None and value > high:
        return seen(name, "high", f"{words}, at most {high:.0f} kPa is accepted", 0.9)
    if low is not None and value < low:
        return seen(name, "low", f"{words}, at least {low:.0f} kPa is accepted", 0.9)
    return seen(name, "right", f"{words}, as the sheet accepts", 0.85)


def _switch_kpa(run: RunSeen, column: str) -> float:
    if run.result.ramp is not None:
        ramp = run.result.ramp
        return _median(ramp.actuation_kpa if column == "on" else ramp.reset_kpa)
    values = getattr(run.result.switch.at_switch, column)
    return _median(values) if len(values) >= 3 else float("nan")
