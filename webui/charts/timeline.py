# SPDX-License-Identifier: MIT
"""A recording as traces for drawing: one window of it, as plain lists of limited length.

Times are converted to milliseconds since the recording's first record; six decimals keep the
nanosecond. Unknown levels and values are None.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.analysis.measure import marks
from rig.core.clock import NS_PER_MS
from rig.core.recording import Recording
from rig.core.records import CHANNEL_UNITS, READBACK, SWITCH
from webui.api.models import Channel, Mark, Traces
from webui.api.models import Lane as LaneShown
from webui.charts import decimate

MAX_POINTS = 5_000
MAX_MARKS = 500

Int64 = NDArray[np.int64]


@dataclass(frozen=True)
class Lane:
    """A digital series with its display words: `level` 1 is `high_word`.

    `t_ns` (n,) and `level` (n,) are its changes; `before` is the level before the first change,
    None if unknown, and `known_from_ns` when it became known.
    """

    name: str
    label: str
    low_word: str
    high_word: str
    t_ns: Int64
    level: NDArray[np.int8]
    before: int | None
    known_from_ns: int


def first_ns(recording: Recording) -> int:
    """Start of the time axis."""
    return recording.t0_ns


def last_ns(recording: Recording) -> int:
    """The last instant recorded; the first if there is no other."""
    times = [recording.t0_ns]
    columns: list[Int64] = [recording.commands.done_ns]
    columns += [s.t_ns for s in recording.edges.values()]
    columns += [s.t_ns for s in recording.levels.values()]
    columns += [s.t_ns for s in recording.samples.values()]
    times += [int(column.max()) for column in columns if len(column)]
    times += [step.t_ns for step in recording.steps[-1:]]
    times += [condition.t_ns for condition in recording.conditions]
    if recording.end is not None:
        times.append(recording.end.t_ns)
    return max(times)


def to_ms(t_ns: int, recording: Recording) -> float:
    """Milliseconds since the recording's first record."""
    return round((t_ns - recording.t0_ns) / NS_PER_MS, 6)


def lanes(recording: Recording) -> list[Lane]:
    """Command, coil and switch, in order of cause and effect; only those wired."""
    commands = recording.commands
    command = Lane(
        "command", "command", "off", "on",
        commands.t_ns, commands.on.astype(np.int8), 0, recording.t0_ns,
    )  # fmt: skip
    found = [command]
    for line, label, words, high in (
        (READBACK, "coil read-back", ("dead", "live"), recording.readback_live_level),
        (SWITCH, "switch contact", ("open", "closed"), recording.switch_closed_level),
    ):
        lane = _input_lane(recording, line, label, words, high)
        if lane is not None:
            found.append(lane)
    return found


def _input_lane(
    recording: Recording, line: str, label: str, words: tuple[str, str], high: int
) -> Lane | None:
    edges, polled = recording.edges.get(line), recording.levels.get(line)
    t_ns, level = np.zeros(0, np.int64), np.zeros(0, np.int8)
    before, known_from_ns = None, recording.t0_ns
    if edges is not None and len(edges.t_ns):
        order = np.argsort(edges.t_ns, kind="stable")
        t_ns, level = edges.t_ns[order], (edges.level[order] == high).astype(np.int8)
        before = 1 - int(level[0])
    if polled is not None and len(polled.t_ns) and not (len(t_ns) and t_ns[0] < polled.t_ns[0]):
        before, known_from_ns = int(polled.level[0] == high), int(polled.t_ns[0])
    if before is None:
        return None
    return Lane(line, label, *words, t_ns, level, before, known_from_ns)


def lane_window(lane: Lane, from_ns: int, to_ns: int, limit: int) -> tuple[Int64, list[int | None]]:
    """Times (n,) and levels of one lane from `from_ns` to `to_ns`, both included, n <= limit.

    The first point carries the level at the window's start, the last the level at its end.
    """
    begin = int(np.searchsorted(lane.t_ns, from_ns, side="right"))
    stop = int(np.searchsorted(lane.t_ns, to_ns, side="right"))
    inside_t, inside_level = lane.t_ns[begin:stop], lane.level[begin:stop]
    keep = decimate.edges(inside_t, inside_level, limit - 3)
    opens = int(lane.level[begin - 1]) if begin else lane.before
    times, levels = [from_ns], [opens]
    if begin == 0 and lane.known_from_ns > from_ns:
        levels = [None]
        if lane.known_from_ns < to_ns:
            times.append(lane.known_from_ns)
            levels.append(lane.before)
    levels += [int(value) for value in inside_level[keep]]
    t_ns = np.concatenate([np.array(times, np.int64), inside_t[keep], np.array([to_ns])])
    return t_ns, [*levels, levels[-1]]


def traces(recording: Recording, from_ns: int, to_ns: int, limit: int = MAX_POINTS) -> Traces:
    """What the page draws for [`from_ns`, `to_ns`]: lanes, sampled channels and marks."""
    return {
        "from_ms": to_ms(from_ns, recording),
        "to_ms": to_ms(to_ns, recording),
        "end_ms": to_ms(last_ns(recording), recording),
        "lanes": [_lane_json(recording, lane, from_ns, to_ns, limit) for lane in lanes(recording)],
        "channels": [
            _channel_json(recording, name, from_ns, to_ns, limit) for name in recording.samples
        ],
        "marks": _marks(recording, from_ns, to_ns),
    }


def _lane_json(recording: Recording, lane: Lane, from_ns: int, to_ns: int, limit: int) -> LaneShown:
    t_ns, level = lane_window(lane, from_ns, to_ns, limit)
    edges = int(((lane.t_ns > from_ns) & (lane.t_ns <= to_ns)).sum())
    return {
        "name": lane.name,
        "label": lane.label,
        "words": [lane.low_word, lane.high_word],
        "edges": edges,
        "decimated": edges > limit - 3,
        "t_ms": [to_ms(int(t), recording) for t in t_ns],
        "level": level,
    }


def _channel_json(recording: Recording, name: str, from_ns: int, to_ns: int, limit: int) -> Channel:
    series = recording.samples[name]
    t_ns = series.t_ns
    value = np.where(series.good & np.isfinite(series.value), series.value, np.nan)
    # one neighbour on each side, so that the line enters and leaves the window
    begin = max(int(np.searchsorted(t_ns, from_ns, side="left")) - 1, 0)
    stop = int(np.searchsorted(t_ns, to_ns, side="right")) + 1
    t_ns, value = t_ns[begin:stop], value[begin:stop]
    keep = decimate.min_max(t_ns, value, limit)
    return {
        "name": name,
        "unit": CHANNEL_UNITS.get(name, ""),
        "samples": len(t_ns),
        "decimated": len(keep) < len(t_ns),
        "t_ms": [to_ms(int(t), recording) for t in t_ns[keep]],
        "value": [None if np.isnan(v) else float(v) for v in value[keep]],
    }


def _marks(recording: Recording, from_ns: int, to_ns: int) -> list[Mark]:
    found = [(c.t_ns, "doubt", c.kind, c.detail, marks.id_of(c.kind)) for c in recording.conditions]
    found += [(t.t_ns, "trip", t.rule, t.message, t.id) for t in recording.trips]
    inside = sorted(mark for mark in found if from_ns <= mark[0] <= to_ns)
    return [
        {"t_ms": to_ms(t_ns, recording), "class": kind, "id": id_, "kind": name, "detail": detail}
        for t_ns, kind, name, detail, id_ in inside[:MAX_MARKS]
    ]
