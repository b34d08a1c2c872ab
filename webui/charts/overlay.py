# SPDX-License-Identifier: MIT
"""Overlay all strokes of a run, aligned at the coil's edge. Pure functions.

Times are milliseconds after the first read-back edge of the coil going live (or dead); if no
read-back shows it, after the command.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from rig.analysis.measure.stroke_windows import NEVER, stroke_windows
from rig.core.clock import NS_PER_MS
from rig.core.recording import Recording
from rig.core.records import CHANNEL_UNITS, SWITCH
from rig.core.results.metrology import Summary
from webui.api.models import ChannelOverlaid, Overlaid, SwitchOverlaid
from webui.charts import decimate, timeline

Way = Literal["on", "off"]
FIGURE = {"on": "response_ms", "off": "release_ms"}
AHEAD = 0.12
"""Room ahead of the coil's edge, as a part of what follows it."""
GRID = 240
BINS = 60
LEAST_IN_BIN = 3
BAND = (5.0, 50.0, 95.0)
SHORTEST_MS = 10.0

Int64 = NDArray[np.int64]


class Starts(NamedTuple):
    """For every commanded stroke, (n,): its number, the instant it is aligned at, the command that
    ends what is shown of it, and whether a read-back edge gave the instant."""

    number: Int64
    at_ns: Int64
    until_ns: Int64
    seen: NDArray[np.bool_]


def starts(recording: Recording, way: Way) -> Starts:
    """The instants at which strokes are aligned. A stroke without its second command is left out of
    `off`; one whose coil edge was not seen counts from its command."""
    found, end = stroke_windows(recording), timeline.last_ns(recording)
    if way == "on":
        until = np.minimum(found.off_ns, end)
        return Starts(found.number, found.start_on_ns, until, found.live_ns < NEVER)
    off = found.off_ns < NEVER
    until, seen = np.minimum(found.next_ns, end), found.dead_ns < NEVER
    return Starts(found.number[off], found.start_off_ns[off], until[off], seen[off])


def span_ms(found: Starts, figure: Summary | None) -> float:
    """How much time after the coil's edge is shown: one and a half times the slowest stroke, but no
    more than the shortest stroke lasts; a round number."""
    longest = figure["max"] if figure else None
    shortest = float((found.until_ns - found.at_ns).min()) / NS_PER_MS if len(found.at_ns) else 0.0
    wanted = shortest if longest is None else min(1.5 * float(longest), shortest)
    wanted = max(wanted, SHORTEST_MS)
    step = 10.0 ** math.floor(math.log10(wanted)) / 2
    return math.ceil(wanted / step) * step


def overlay(
    recording: Recording, summary: Mapping[str, Summary], way: Way, odd: Collection[int] = (),
    limit: int = timeline.MAX_POINTS, to_ms: float | None = None,
) -> Overlaid:  # fmt: skip
    """Overlay all strokes at the coil's edge.

    `summary` is from the run's result; strokes in `odd` are always drawn. `switch`: for each drawn
    stroke the spans in which the contact was closed, and over all strokes the share closed on an
    even grid; `figure`: times by which 5, 50 and 95 of 100 strokes had settled. `channels`:
    readings of all strokes ordered by time since the edge, at most `limit`, and the 5 %, 50 % and
    95 % points over the strokes in even intervals, computed from all readings.
    """
    found = starts(recording, way)
    figure = summary.get(FIGURE[way])
    to_ms = span_ms(found, figure) if to_ms is None else to_ms
    from_ms = -AHEAD * to_ms
    window = round(from_ms * NS_PER_MS), round(to_ms * NS_PER_MS)
    return {
        "way": way,
        "counts_from": "coil" if len(found.seen) and found.seen.all() else "command",
        "from_ms": from_ms,
        "to_ms": to_ms,
        "strokes": len(found.number),
        "figure": _figure(figure),
        "switch": _switch(recording, found, window, odd, limit),
        "channels": [
            channel
            for name in recording.samples
            if (channel := _channel(recording, name, found, window, limit)) is not None
        ],
    }


def _figure(figure: Summary | None) -> dict[str, float | None]:
    shares = figure["percentiles"] if figure else {}
    return {
        name: shares[name]["value"] if name in shares else None for name in ("p5", "p50", "p95")
    }


def _switch(
    recording: Recording, found: Starts, window: tuple[int, int], odd: Collection[int], limit: int
) -> SwitchOverlaid | None:
    lane = next((one for one in timeline.lanes(recording) if one.name == SWITCH), None)
    if lane is None or not len(found.at_ns):
        return None
    grid = np.linspace(window[0], window[1], GRID).astype(np.int64)
    levels = np.append(np.int8(lane.before or 0), lane.level)
    closed = levels[np.searchsorted(lane.t_ns, found.at_ns[:, None] + grid, side="right")]
    begin = np.searchsorted(lane.t_ns, found.at_ns + window[0], side="right")
    stop = np.searchsorted(lane.t_ns, np.minimum(found.at_ns + window[1], found.until_ns))
    stop = np.maximum(stop, begin)
    keep = _drawn(found.number, stop - begin + 2, odd, limit)
    return {
        "words": [lane.low_word, lane.high_word],
        "share_t_ms": (grid / NS_PER_MS).round(6).tolist(),
        "share": closed.mean(axis=0).round(6).tolist(),
        "drawn": len(keep),
        "strokes": [
            {
                "number": int(found.number[i]),
                "opens": int(levels[begin[i]]),
                "t_ms": [
                    round(int(t - found.at_ns[i]) / NS_PER_MS, 6)
                    for t in lane.t_ns[begin[i] : stop[i]]
                ],
            }
            for i in keep
        ],
    }


def _drawn(number: Int64, cost: Int64, odd: Collection[int], limit: int) -> list[int]:
    """Indices of the strokes drawn: all if they fit, else those that stand out and an even
    selection of the others."""
    if int(cost.sum()) <= limit:
        return list(range(len(number)))
    wanted = [int(i) for i in np.flatnonzero(np.isin(number, list(odd)))]
    left = limit // 2 - int(cost[wanted].sum())
    if left < 0:
        wanted, left = [], limit // 2
    even = max(int((left + limit // 2) // max(int(cost.max()), 1)), 1)
    chosen = set(wanted) | set(np.linspace(0, len(number) - 1, even).astype(int).tolist())
    kept, spent = [], 0
    for i in sorted(chosen):
        spent += int(cost[i])
        if spent > limit:
            break
        kept.append(i)
    return kept


def _band(
    edges: NDArray[np.float64], since: Int64, value: NDArray[np.float64], place: Int64
) -> list[list[float | None]]:
    """For each interval the 5 %, 50 % and 95 % points over the strokes, each stroke represented by
    the mean of its readings there, so that an outlying stroke moves a band no more than one stroke
    may."""
    at = np.clip(np.searchsorted(edges, since, side="right") - 1, 0, BINS - 1)
    cell = place * BINS + at
    rows = int(place.max()) + 1 if len(place) else 0
    n = np.bincount(cell, minlength=rows * BINS).reshape(rows, BINS)
    total = np.bincount(cell, weights=value, minlength=rows * BINS).reshape(rows, BINS)
    band: list[list[float | None]] = []
    for i in range(BINS):
        seen = n[:, i] > 0
        here = total[seen, i] / n[seen, i]
        enough = len(here) >= LEAST_IN_BIN
        band.append(
            [round(float(v), 4) for v in np.percentile(here, BAND)]
            if enough
            else [None] * len(BAND)
        )
    return band


def _channel(
    recording: Recording, name: str, found: Starts, window: tuple[int, int], limit: int
) -> ChannelOverlaid | None:
    series = recording.samples[name]
    good = series.good & np.isfinite(series.value)
    t_ns, value = series.t_ns[good], series.value[good]
    if not len(t_ns) or not len(found.at_ns):
        return None
    place = np.searchsorted(found.at_ns + window[0], t_ns, side="right") - 1
    since = t_ns - found.at_ns[place]
    inside = (place >= 0) & (since <= window[1])
    order = np.argsort(since[inside], kind="stable")
    since, value, place = since[inside][order], value[inside][order], place[inside][order]
    keep = decimate.min_max(since, value, limit) if len(since) else np.zeros(0, np.int64)
    edges = np.linspace(window[0], window[1], BINS + 1)
    band = _band(edges, since, value, place)
    return {
        "name": name,
        "unit": CHANNEL_UNITS.get(name, ""),
        "readings": len(since),
        "t_ms": (since[keep] / NS_PER_MS).round(6).tolist(),
        "value": value[keep].round(6).tolist(),
        "band_t_ms": ((edges[:-1] + edges[1:]) / 2 / NS_PER_MS).round(6).tolist(),
        "band": [list(column) for column in zip(*band, strict=True)],
    }
