# SPDX-License-Identifier: MIT
"""Rise and fall of the pressure in every stroke: levels, durations, delays, overshoot, settling.

The terms are those of rig.analysis.stats.waveform; the definitions are in webui/help/numbers.md. A
gauge is often slower than the valve. A figure is then NaN, and `bounds` give its range, since the
readings on either side of each crossing still show that.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field

import numpy as np

from rig.analysis.measure.gauge_calibration import resolution_kpa
from rig.analysis.measure.instrument_uncertainty import AgeLeft, age_left_ms
from rig.analysis.measure.pressure_noise import Found, through_noise
from rig.analysis.measure.pressure_ripple import LEFT_OVER, without_ripple
from rig.analysis.measure.stroke_table import windows_end
from rig.analysis.measure.stroke_windows import NEVER, Windows
from rig.analysis.measure.time_stamps import stamp_half_width_ms
from rig.analysis.stats.waveform import Instants, passages
from rig.config.setup.model import Setup
from rig.core.recording import Bool, Float, Int64, Recording, SampleSeries

LEAST_INSIDE = 3
"""Readings from 10 to 90 % for a resolved transition (common practice, no source)."""
PLATEAU_SHARE, PLATEAU_MOST = 0.25, 63
"""The last part of a state whose median is its level (IEEE 181's endpoint method), and how many of
its readings are used, evenly picked."""
CHANGE_SHARE, CHANGE_SIGMAS = 0.02, 4.0
"""The first change is seen beyond this share of the amplitude, and beyond the readings' noise."""
REST_MS = 2000.0
"""How far back the rest before the first stroke is examined."""
FAR_MS = 1e12

FIGURES = (
    "low_kpa", "high_kpa", "rise_ms", "fall_ms", "delay_first_ms", "delay_10_ms", "delay_50_ms",
    "delay_90_ms", "overshoot_pct", "undershoot_pct", "settling_ms", "fall_delay_first_ms",
    "fall_delay_10_ms", "fall_delay_50_ms", "fall_delay_90_ms", "fall_overshoot_pct",
    "fall_undershoot_pct", "fall_settling_ms", "u_delay_ms", "u_rise_ms",
    "u_settling_ms",
)  # fmt: skip
"""Columns. Those without "fall" belong to the energised part. `u_delay_ms`, `u_rise_ms`,
`u_settling_ms` are standard uncertainties of the 50 % delay, of the 10-90 % rise and of the
settling time (sampling, noise, levels; of the delay also age of readings and stamps)."""

NO_READINGS = "no readings in this stroke"
NO_CHANGE = "the pressure does not change with the coil"
FALLS = "the pressure falls when the coil is energised"
SLOW_RISE = "gauge too slow for the rise (fewer than 3 readings from 10 to 90 %)"
SLOW_FALL = "gauge too slow for the fall (fewer than 3 readings from 10 to 90 %)"
NOT_HELD = "the state was not held to the end of the stroke's part: no settling time"
SCATTERED = "no settling time: in its state the pressure scatters by more than half the band"
HIDDEN = "overshoot or undershoot not seen above the readings' noise"
NOTES = (NO_READINGS, NO_CHANGE, FALLS, SLOW_RISE, SLOW_FALL, NOT_HELD, SCATTERED, HIDDEN)


@dataclass(frozen=True)
class PressureTable:
    """One row per stroke. `columns` by FIGURES, each (n,) with NaN where not known; `bounds` by
    figure, minimum and maximum (n,) where only they are known; `noted` (n,) bits of NOTES."""

    columns: dict[str, Float]
    bounds: dict[str, tuple[Float, Float]]
    noted: Int64 = field(default_factory=lambda: np.zeros(0, np.int64))

    def __len__(self) -> int:
        return len(self.noted)

    def note(self, row: int) -> str:
        """Why figures are missing in one row, in words; empty where none is."""
        return _noted(int(self.noted[row]))


@functools.cache
def _noted(bits: int) -> str:
    return "; ".join(text for place, text in enumerate(NOTES) if bits >> place & 1)


def pressure_table(
    recording: Recording, windows: Windows, pressure: SampleSeries | None, setup: Setup | None
) -> PressureTable | None:
    """Every stroke of `windows`; None without readings. `pressure` are the readings corrected for
    their age (pressure_at.pressure_of), the only place where that is done."""
    if pressure is None or not pressure.good.any():
        return None
    t_ns, value = pressure.of_good()
    t = (t_ns - recording.t0_ns) / 1e6
    on, off = _ms(windows.start_on_ns, recording), _ms(windows.start_off_ns, recording)
    next_on = np.minimum(np.append(windows.start_on_ns, NEVER)[1:], windows_end(windows))
    rest = np.append(on[:1] - REST_MS, off[:-1])
    bounds_ms = np.stack((rest, on, off, _ms(next_on, recording)), axis=1)
    places = np.searchsorted(t, bounds_ms)
    before, start, released, end = places.T
    ripple = without_ripple(recording, setup, t, value, places)
    left = np.zeros(len(windows))
    if ripple is not None:
        value, left = ripple.value, LEFT_OVER * ripple.sd_kpa
    gauge = setup.gauge if setup is not None and recording.source != "capture" else None
    age = age_left_ms(gauge)
    step = resolution_kpa(pressure)
    source = setup.pressure_source if setup is not None else None
    stated = source.accuracy_kpa if source is not None else None

    resting, noise = _plateau(value, before, start)
    held, held_noise = _plateau(value, start, released)
    after, after_noise = _plateau(value, released, end)
    stamp = stamp_half_width_ms(recording)
    table = _Columns(len(windows), age, stamp)
    alike = max(2 * step, stated or 0.0)
    changes = np.abs(held - resting) > alike
    drops = (np.abs(after - held) > alike) & (off < FAR_MS)
    low_high = [np.fmin(resting, held), np.fmax(resting, held)]
    for prefix, zero, parts, levels, real, scatters in (
        ("", on, (before, start, released), (resting, held), changes, (noise, held_noise)),
        ("fall_", off, (start, released, end), (held, after), drops, (held_noise, after_noise)),
    ):
        from_level, to_level = (np.where(real, level, np.nan) for level in levels)
        amplitude = np.abs(to_level - from_level)
        least = np.maximum(CHANGE_SIGMAS * scatters[0], 1.5 * step)
        first = np.fmax(CHANGE_SHARE, least / amplitude)
        low, high = np.maximum(parts[1] - 1, 0), parts[2]
        seen = passages(t, value, low, high, from_level, to_level, first)
        found = through_noise(t, value, parts, seen, (from_level, to_level), scatters, step, left)
        table.part(prefix, found, zero)
        if not prefix:
            table.uncertainty(found)
            rows = np.isfinite(found.to_level)
            both = found.from_level, found.to_level
            low_high = [
                np.where(rows, pick(*both), level)
                for pick, level in zip((np.fmin, np.fmax), low_high, strict=True)
            ]
    table.columns["low_kpa"], table.columns["high_kpa"] = low_high
    unknown = ~np.isfinite(held + resting)
    table.note(NO_READINGS, unknown)
    table.note(NO_CHANGE, ~unknown & ~changes)
    table.note(FALLS, changes & (held < resting))
    return PressureTable(table.columns, table.bounds, table.noted)


def _ms(t_ns: Int64, recording: Recording) -> Float:
    known = t_ns < NEVER
    return np.where(known, (np.where(known, t_ns, 0) - recording.t0_ns) / 1e6, FAR_MS)


def _plateau(value: Float, start: Int64, end: Int64) -> tuple[Float, Float]:
    """Median of the last quarter (at least one) of the readings in each [start, end), and their
    robust standard deviation (1.4826 times the median distance); NaN without readings."""
    count = end - start
    tail = np.maximum(np.rint(count * PLATEAU_SHARE).astype(np.int64), 1)
    tail = np.minimum(tail, np.maximum(count, 0))
    picked = np.minimum(tail, PLATEAU_MOST)
    step = tail / np.maximum(picked, 1)
    columns = np.arange(int(picked.max(initial=0)))
    there = columns < picked[:, None]
    place = (end - tail)[:, None] + (columns * step[:, None]).astype(np.int64)
    found = np.where(there, value[np.minimum(place, len(value) - 1)], np.inf)
    middle = _middle(found, picked)
    spread = np.abs(found - np.where(picked > 0, middle, 0.0)[:, None])
    return middle, 1.4826 * _middle(np.where(there, spread, np.inf), picked)


def _middle(found: Float, count: Int64) -> Float:
    """Median of the first `count` of each row, the rest being infinite; NaN for none."""
    if not found.shape[1]:
        return np.full(len(count), np.nan)
    ranked, rows = np.sort(found, axis=1), np.arange(len(count))
    low, high = np.maximum((count - 1) // 2, 0), np.minimum(count // 2, found.shape[1] - 1)
    both = ranked[rows, low] / 2 + ranked[rows, high] / 2
    return np.where(count > 0, both, np.nan)


class _Columns:
    """Fill the columns from both parts of all strokes."""

    def __init__(self, n: int, age: AgeLeft, stamp_ms: float) -> None:
        self.columns = {name: np.full(n, np.nan) for name in FIGURES}
        self.bounds: dict[str, tuple[Float, Float]] = {}
        self.noted = np.zeros(n, np.int64)
        self._age, self._stamp_ms = age, stamp_ms

    def note(self, text: str, rows: Bool) -> None:
        self.noted |= np.where(rows, 1 << NOTES.index(text), 0)

    def part(self, prefix: str, found: Found, zero: Float) -> None:
        """One part of every stroke; delays are from `zero` (ms), coil live or dead."""
        seen = found.seen
        resolved = (seen.inside >= LEAST_INSIDE) & np.isfinite(seen.duration)
        instants = {"first": seen.first, "10": seen.t10, "50": seen.t50, "90": seen.t90}
        for which, at in instants.items():
            self._delay(f"{prefix}delay_{which}_ms", at, zero, resolved, seen.duration)
        name = "fall_ms" if prefix else "rise_ms"
        self.columns[name] = np.where(resolved, seen.duration, np.nan)
        between = ~resolved & np.isfinite(seen.longest)
        self._bound(name, between, seen.shortest, seen.longest)
        for figure in ("overshoot", "undershoot"):
            percent = getattr(seen, figure)
            self.columns[f"{prefix}{figure}_pct"] = np.where(resolved, percent, np.nan)
            hidden = resolved & ~np.isfinite(percent) & np.isfinite(found.floor)
            self._bound(f"{prefix}{figure}_pct", hidden, np.zeros(len(hidden)), found.floor)
            self.note(HIDDEN, hidden)
        settles = resolved & ~found.scattered
        self.columns[f"{prefix}settling_ms"] = np.where(settles, seen.settling, np.nan)
        self.note(SLOW_FALL if prefix else SLOW_RISE, between)
        self.note(NOT_HELD, settles & ~np.isfinite(seen.settling))
        self.note(SCATTERED, resolved & found.scattered)

    def _delay(self, name: str, at: Instants, zero: Float, resolved: Bool, duration: Float) -> None:
        """A number where the readings beside the crossing are near and both after the coil's
        edge."""
        near = resolved & (at.gap <= duration / 2) & (at.after >= zero)
        self.columns[name] = np.where(near, at.t - zero, np.nan)
        least = np.maximum(at.after - zero - self._age.late - self._stamp_ms, 0.0)
        most = at.before - zero + self._age.early + self._stamp_ms
        self._bound(name, ~near & np.isfinite(at.t), least, most)

    def _bound(self, name: str, rows: Bool, least: Float, most: Float) -> None:
        if rows.any():
            self.bounds[name] = (np.where(rows, least, np.nan), np.where(rows, most, np.nan))

    def uncertainty(self, found: Found) -> None:
        """Rectangular between the two readings (gap / sqrt 12), noise and levels as found, stamps
        as half widths, the readings' age about what was subtracted."""
        seen = found.seen
        late = self._age.u2_as_read + 2 * self._stamp_ms**2 / 3
        between = {"50": seen.t50.gap**2 / 12, "90": seen.t90.gap**2 / 12,
                   "10": seen.t10.gap**2 / 12}  # fmt: skip
        for name, figure, square in (
            ("u_delay_ms", "delay_50_ms", between["50"] + found.u50**2 + late),
            ("u_rise_ms", "rise_ms", between["10"] + between["90"] + found.u10**2 + found.u90**2),
            ("u_settling_ms", "settling_ms", 2 * between["50"] + found.u_settling**2),
        ):
            known = np.isfinite(self.columns[figure])
            self.columns[name] = np.where(known, np.sqrt(square), np.nan)
