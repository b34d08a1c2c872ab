# SPDX-License-Identifier: MIT
"""Hold: pressure and switch against time while one state is held, and how fast pressure falls."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from rig.analysis.measure import marks
from rig.analysis.measure.pressure_decay import Decay, Start, decay, risen
from rig.analysis.measure.stroke_windows import NEVER
from rig.analysis.measure.switch_state import SwitchTrack
from rig.core.message_ids import Message
from rig.core.recording import Float, Int64, Recording, SampleSeries

TRACE_POINTS = 400
BEFORE_NS = 1_000_000_000
"""How far before the watch a reading may be and still give the pressure at its start."""
GONE_EARLY = marks.mark("gone-early", "pressure gone before five good readings")
END_ALONE = marks.mark("end-alone", "a reading at an end of the watch lies far off")
SWITCH_OUT = marks.mark("switch-out", "switch dropped out in the watch")
OF_LINE, OF_WATCH = "slope of the line", "mean of the watch"
"""Kinds of decay rate."""


LOOK_AT_SUPPLY = Message(
    "advice.look-at-supply",
    "the supply, and whether the pressure was up before the release",
)
SHORTEN_WATCH = Message(
    "advice.shorten-watch",
    "shut the drain, or shorten watch",
)
WATCH_LONGER = Message(
    "advice.watch-longer",
    "look at the pressure against time; a longer watch, or a gauge that reads more often",
)
LOOK_AT_GAUGE_LINE = Message(
    "advice.look-at-gauge-line",
    "look at the pressure against time; the gauge's plug and its line",
)
STEADY_PRESSURE = Message(
    "advice.steady-pressure",
    "a longer watch, a steadier pressure",
)
FIND_LEAK = Message(
    "advice.find-leak",
    "where it leaks, or shorten watch",
)


class OpenBecause(NamedTuple):
    """Why a figure cannot show that its limit is held, and what to check next; neither with a full
    stop."""

    why: str
    next_check: Message

    @property
    def words(self) -> str:
        return f"{self.why}. Next check: {self.next_check}"


@dataclass(frozen=True)
class HoldResult:
    """The watch from `from_ns` to `to_ns`. Pressures kPa, rates kPa/s, None where not known.

    `decay_rate_kpa_s` is how fast the pressure falls (positive = falling), from the first `rate_n`
    good readings (rig.analysis.measure.pressure_decay): the slope of the line through them, or
    where they do not lie on one (`rate_is`) the mean rate from the first to the last of them (at
    `rate_from_ns`, `rate_to_ns`), from a curve of `terms` terms. `standard_error_kpa_s` is its
    standard error, for the `effective_n` independent readings they are equivalent to, with
    `error_dof` degrees of freedom, None where
    that cannot be estimated; where the pressure was gone too early for a rate, the rate is the
    least it fell at, without an error. `left_out` readings were far off, `bad` ones invalid.
    `dropped_out_ns` is the edge after which the switch stayed off. `trace_ns`, `trace_kpa` (k,) are
    evenly picked readings. With the coil on, the figures start where switch and pressure had
    settled. `open_because` says why the rate cannot show that a limit is held, else empty;
    `at_least_kpa_s` is a rate that was surely reached.
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
    rate_n: int = 0
    effective_n: float = 0.0
    error_dof: float = 0.0
    terms: int = 2
    rate_is: str = OF_LINE
    rate_from_ns: int | None = None
    rate_to_ns: int | None = None
    open_because: OpenBecause | None = None
    at_least_kpa_s: float | None = None


def watch_window(recording: Recording, last_ns: int) -> tuple[int, int]:
    """From the watch step to the next command, or the end. Without steps (a capture): the longest
    stretch without a command, after the first command where there is one."""
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
    alike_kpa: float = 0.0,
) -> HoldResult:
    """The watch of a hold. `pressure` are the readings corrected for their age, None without a
    gauge; `alike_kpa` is the gauge's accuracy."""
    start, end = watch_window(recording, last_ns)
    energised = energised_at(recording, start)
    from_ns = _settled_on(track, start, end, window_ns) if energised else start
    low, high = (int(i) for i in np.searchsorted(track.t_ns, [from_ns, end], "left"))
    low = min(low + 1, high) if from_ns > start else low  # the edge to on comes before the figures
    dropped = _dropped_out(track, low, high, window_ns, end)
    empty: HoldResult = HoldResult(
        start, end, 0, 0, 0, None, None, None, None,
        track.state_before(low), track.state_before(high), dropped, high - low, (),
        np.zeros(0, np.int64), np.zeros(0),
    )  # fmt: skip
    if pressure is None:
        return empty
    inside = (pressure.t_ns >= start) & (pressure.t_ns <= end)
    good = inside & pressure.good
    every = max(1, -(-int(good.sum()) // TRACE_POINTS))
    trace = pressure.t_ns[good][::every], pressure.value[good][::every]
    settled = good & (pressure.t_ns >= from_ns)
    t_ns, value = pressure.t_ns[settled], pressure.value[settled]
    skip = risen(value) if energised else 0
    t_ns, value = t_ns[skip:], value[skip:]
    before = None if energised else _before(pressure, start)
    out_s = None if dropped is None else (dropped - start) / 1e9
    found = decay((t_ns - start) / 1e9, value, before, out_s, alike_kpa)
    rate = found.rate
    seen = [
        (rate is None and not found.gone_early, marks.FEW_READINGS),
        (not found.straight, marks.NOT_STRAIGHT),
        (found.gone_early, GONE_EARLY),
        (rate is not None and bool(rate.end_alone), END_ALONE),
        (out_s is not None, SWITCH_OUT),
    ]
    return replace(
        empty,
        n=len(t_ns),
        bad=int(inside.sum() - good.sum()),
        left_out=rate.left_out if rate is not None else 0,
        pressure_start_kpa=float(value[0]) if len(value) else None,
        pressure_end_kpa=float(value[-1]) if len(value) else None,
        decay_rate_kpa_s=rate.kpa_s if rate is not None else found.at_least_kpa_s,
        standard_error_kpa_s=rate.error if rate is not None and rate.sure else None,
        marks=tuple(mark for true, mark in seen if true),
        trace_ns=trace[0],
        trace_kpa=trace[1],
        rate_n=found.n,
        effective_n=rate.effective if rate is not None else 0.0,
        error_dof=rate.dof if rate is not None else 0.0,
        terms=rate.terms if rate is not None else 2,
        rate_is=OF_LINE if found.straight else OF_WATCH,
        rate_from_ns=int(t_ns[0]) if rate is not None else None,
        rate_to_ns=int(t_ns[found.n - 1]) if rate is not None else None,
        open_because=_open_because(found, out_s),
        at_least_kpa_s=found.at_least_kpa_s,
    )


def _open_because(found: Decay, out_s: float | None) -> OpenBecause | None:
    if found.gone_early and not found.gone_s:
        return OpenBecause(
            "there was no pressure at the start of the watch, so nothing could leak down",
            LOOK_AT_SUPPLY,
        )
    if found.gone_early:
        return OpenBecause(
            f"the pressure was gone after {found.gone_s:.2f} s, so a line would describe an empty "
            "gallery",
            SHORTEN_WATCH,
        )
    rate = found.rate
    if rate is not None and rate.end_alone:
        return OpenBecause(
            f"the {rate.end_alone} reading lies far off the others, and nothing beside it tells "
            "whether it was the pressure or a fault of the gauge",
            WATCH_LONGER,
        )
    if rate is not None and not rate.sure and not found.straight:
        return OpenBecause(
            "the pressure falls neither along a straight line nor along a smooth curve, so no rate "
            "describes it, and no interval is given",
            LOOK_AT_GAUGE_LINE,
        )
    if rate is not None and not rate.sure:
        return OpenBecause(
            f"the {found.n} readings follow one another so closely (ripple or drift) that they are "
            f"worth {rate.effective:.1f} independent ones, too few for an interval",
            STEADY_PRESSURE,
        )
    if not found.straight and found.gone_s is not None:
        return OpenBecause(
            f"the pressure was gone after {found.gone_s:.2f} s, and fell ever more slowly, so its "
            "mean rate is not that of the watch",
            SHORTEN_WATCH,
        )
    if out_s is not None:
        return OpenBecause(
            f"the switch dropped out after {out_s:.2f} s, so the pressure was not held through the "
            "watch",
            FIND_LEAK,
        )
    return None


def energised_at(recording: Recording, start_ns: int) -> bool:
    """Whether the last command up to the start of the watch is on."""
    place = int(np.searchsorted(recording.commands.t_ns, start_ns, "right"))
    return place > 0 and bool(recording.commands.on[place - 1])


def _settled_on(track: SwitchTrack, start_ns: int, end_ns: int, window_ns: int) -> int:
    """The first edge to on in the watch that lasts the settle window, else its start."""
    low, high = (int(i) for i in np.searchsorted(track.t_ns, [start_ns, end_ns], "left"))
    if track.state_before(low):
        return start_ns
    following = np.append(track.t_ns, NEVER)[low + 1 : high + 1]
    t_ns = track.t_ns[low:high]
    places = np.flatnonzero((following - t_ns >= window_ns) & track.on[low:high])
    return int(t_ns[places[0]]) if len(places) else start_ns


def _before(pressure: SampleSeries, start_ns: int) -> Start | None:
    """The pressure just before the watch: the median of the last three good readings."""
    near = pressure.good & (pressure.t_ns < start_ns) & (pressure.t_ns >= start_ns - BEFORE_NS)
    if not near.any():
        return None
    value, t_ns = pressure.value[near][-3:], pressure.t_ns[near]
    return Start(float(np.median(value)), (int(t_ns[-1]) - start_ns) / 1e9)


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
