# SPDX-License-Identifier: MIT
"""Hold: pressure and switch against time while one state is held, and how fast pressure falls."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.analysis import marks
from rig.analysis.contact import SwitchTrack
from rig.analysis.line import fit_line
from rig.analysis.windows import NEVER
from rig.core.recording import Float, Int64, Recording, SampleSeries

LEAST_READINGS = 5
TRACE_POINTS = 400
CURVED_SHARE = 0.25
CURVED_ERRORS = 4.0


@dataclass(frozen=True)
class HoldResult:
    """The watch from `from_ns` to `to_ns`. Pressures kPa, rates kPa/s, None where not known.

    `decay_rate_kpa_s` is how fast the pressure falls (positive = falling), the slope of the line
    through the good readings of the watch, `standard_error_kpa_s` its standard error. `left_out`
    readings lay far off that line, `bad` were not to be believed. `dropped_out_ns` is the edge
    after which the switch stayed off. `trace_ns`, `trace_kpa` (k,) are readings evenly picked.
    """

    from_ns: int
    to_ns: int
    n: int
    bad: int
    left_out: int
    pressure_start_kpa: float | None
    pressure_end_kpa: float | None
    decay_rate_kpa_s: float | None
    standard_error_kpa_s: float | None
    switch_on_at_start: bool | None
    switch_on_at_end: bool | None
    dropped_out_ns: int | None
    edges: int
    marks: tuple[str, ...]
    trace_ns: Int64
    trace_kpa: Float


def watch_window(recording: Recording, last_ns: int) -> tuple[int, int]:
    """From the watch step to the next command, or the end. Without steps (a capture): from the
    longest stretch without a command, after the first command where there is one."""
    commands = recording.commands.t_ns
    started = [step.t_ns for step in recording.steps if step.name == "watch"]
    if started:
        later = commands[commands > started[0]]
        return started[0], int(later[0]) if len(later) else last_ns
    if not len(commands):
        return recording.t0_ns, last_ns
    bounds = np.append(commands, last_ns)
    longest = int(np.argmax(np.diff(bounds)))
    return int(bounds[longest]), int(bounds[longest + 1])


def hold(
    recording: Recording,
    track: SwitchTrack,
    pressure: SampleSeries | None,
    window_ns: int,
    last_ns: int,
) -> HoldResult:
    """Watch of a hold. `pressure` are the readings with their age taken off, None without gauge."""
    start, end = watch_window(recording, last_ns)
    low, high = (int(i) for i in np.searchsorted(track.t_ns, [start, end], "left"))
    empty: HoldResult = HoldResult(
        start, end, 0, 0, 0, None, None, None, None,
        track.state_before(low), track.state_before(high),
        _dropped_out(track, low, high, window_ns, end), high - low, (),
        np.zeros(0, np.int64), np.zeros(0),
    )  # fmt: skip
    if pressure is None:
        return empty
    inside = (pressure.t_ns >= start) & (pressure.t_ns <= end)
    good = inside & pressure.good
    t_ns, value = pressure.t_ns[good], pressure.value[good]
    bad = int(inside.sum() - good.sum())
    t_s = (t_ns - start) / 1e9
    line = fit_line(t_s, value) if len(t_ns) >= LEAST_READINGS else None
    every = max(1, -(-len(t_ns) // TRACE_POINTS))
    found = [] if line is not None else [marks.FEW_READINGS]
    if line is not None and _curved(t_s[line.used], value[line.used], line.slope):
        found.append(marks.NOT_STRAIGHT)
    return HoldResult(
        from_ns=start,
        to_ns=end,
        n=len(t_ns),
        bad=bad,
        left_out=int(np.count_nonzero(~line.used)) if line is not None else 0,
        pressure_start_kpa=float(value[0]) if len(value) else None,
        pressure_end_kpa=float(value[-1]) if len(value) else None,
        decay_rate_kpa_s=-line.slope if line is not None else None,
        standard_error_kpa_s=line.slope_error if line is not None else None,
        switch_on_at_start=empty.switch_on_at_start,
        switch_on_at_end=empty.switch_on_at_end,
        dropped_out_ns=empty.dropped_out_ns,
        edges=empty.edges,
        marks=tuple(found),
        trace_ns=t_ns[::every],
        trace_kpa=value[::every],
    )


def _dropped_out(
    track: SwitchTrack, low: int, high: int, window_ns: int, end_ns: int
) -> int | None:
    """The first edge to off, in the watch, after which the switch stays off for the settle
    window; None where it was not on before or did not drop out."""
    t_ns, on = track.t_ns[low:high], track.on[low:high]
    following = np.append(track.t_ns, NEVER)[low + 1 : high + 1]
    stays = (np.minimum(following, end_ns) - t_ns >= window_ns) & ~on
    places = np.flatnonzero(stays)
    if not len(places) or not (track.state_before(low) or on[: places[0]].any()):
        return None
    return int(t_ns[places[0]])


def _curved(t_s: Float, value: Float, slope: float) -> bool:
    """The slopes of the two halves differ by more than their errors and a quarter of the whole."""
    half = len(t_s) // 2
    first, second = fit_line(t_s[:half], value[:half]), fit_line(t_s[half:], value[half:])
    if first is None or second is None:
        return False
    apart = abs(first.slope - second.slope)
    error = float(np.hypot(first.slope_error, second.slope_error))
    return apart > CURVED_ERRORS * error and apart > CURVED_SHARE * abs(slope)
