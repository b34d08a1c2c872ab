# SPDX-License-Identifier: MIT
"""Figures of a commissioning, from a recording. Times in ms; NaN if nothing was seen."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from rig.analysis.measure.stroke_windows import NEVER, relay_bounce_ms, stroke_windows
from rig.core.recording import Float, Recording
from rig.core.records import READBACK, SWITCH


class RelayTimes(NamedTuple):
    """Of all operations: how many followed, the slowest and the mean delay from the command to the
    first read-back edge, and the longest bounce, going live and going dead."""

    operations: int
    followed: int
    operate_most_ms: float
    operate_mean_ms: float
    operate_bounce_ms: float
    release_most_ms: float
    release_mean_ms: float
    release_bounce_ms: float


def relay_times(recording: Recording) -> RelayTimes:
    """From every stroke of the recording."""
    windows = stroke_windows(recording)
    bounces = relay_bounce_ms(recording, windows)
    both = (windows.live_ns < NEVER) & (windows.dead_ns < NEVER)
    operate = (windows.live_ns - windows.on_ns)[both] / 1e6
    release = (windows.dead_ns - windows.off_ns)[both] / 1e6
    return RelayTimes(
        len(windows), int(both.sum()),
        _most(operate), _mean(operate), _most(bounces[0][both]),
        _most(release), _mean(release), _most(bounces[1][both]),
    )  # fmt: skip


def _most(values: Float) -> float:
    return float(values.max()) if len(values) else math.nan


def _mean(values: Float) -> float:
    return float(values.mean()) if len(values) else math.nan


def switch_edges(recording: Recording) -> int:
    """Edges of the pressure switch's line."""
    edges = recording.edges.get(SWITCH)
    return 0 if edges is None else len(edges.t_ns)


def lateness_ms(recording: Recording, on_s: float) -> float:
    """The largest difference of an on-time from the sheet's: the loop was late to a command."""
    windows = stroke_windows(recording)
    held_s = (windows.off_ns - windows.on_ns)[windows.off_ns < NEVER] / 1e9
    return _most(1e3 * np.abs(held_s - on_s))


class Readings(NamedTuple):
    """Of the pressure: number of good readings, their mean and spread (kPa), the median interval
    and the longest gap (s)."""

    n: int
    mean_kpa: float
    sd_kpa: float
    interval_s: float
    gap_s: float


def readings(recording: Recording) -> Readings:
    """Computed over the whole recording."""
    series = recording.samples.get("pressure")
    if series is None or int(series.good.sum()) < 3:
        return Readings(0, math.nan, math.nan, math.nan, math.nan)
    value, steps_s = series.value[series.good], np.diff(series.t_ns[series.good]) / 1e9
    return Readings(
        len(value), float(value.mean()), float(value.std(ddof=1)),
        float(np.median(steps_s)), float(steps_s.max()),
    )  # fmt: skip


def pressure_on_kpa(recording: Recording) -> float:
    """Mean reading over the second halves of the strokes, when the pressure is steady."""
    series = recording.samples.get("pressure")
    if series is None:
        return math.nan
    windows = stroke_windows(recording)
    parts = [
        series.value[series.good & (series.t_ns > (on + off) // 2) & (series.t_ns < off)]
        for on, off in zip(windows.on_ns.tolist(), windows.off_ns.tolist(), strict=True)
        if off < NEVER
    ]
    return _mean(np.concatenate(parts)) if parts else math.nan


def drop_out_ms(recording: Recording, stopped_ns: int) -> float:
    """From `stopped_ns` to the next read-back edge going dead."""
    edges = recording.edges.get(READBACK)
    if edges is None:
        return math.nan
    dead = edges.t_ns[(edges.level != recording.readback_live_level) & (edges.t_ns > stopped_ns)]
    return float((dead[0] - stopped_ns) / 1e6) if len(dead) else math.nan
