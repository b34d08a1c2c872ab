# SPDX-License-Identifier: MIT
"""Every stroke of a recording in numbers, as columns: response, release, bounce, marks.

The definitions are in webui/help/numbers.md.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.analysis.measure import marks, rest_strokes
from rig.analysis.measure.edge_loss import Doubts, stroke_bits
from rig.analysis.measure.pressure_at import (
    STROKE_SHARE,
    TIME_SHARE,
    PressureAt,
    pressure_at,
    swing_kpa,
)
from rig.analysis.measure.stroke_windows import NEVER, Windows
from rig.analysis.measure.switch_state import SwitchTrack
from rig.analysis.measure.switch_transitions import Transitions, transitions
from rig.core.clock import NS_PER_MS
from rig.core.recording import CAPTURE_OF, Bool, Float, Int64, Recording, SampleSeries
from rig.core.records import RESOLUTION, SAMPLED, STOPPED_EARLY

NO_MARKS_OF_STROKES = frozenset(
    {marks.SEQUENCE_GAP, STOPPED_EARLY, SAMPLED, RESOLUTION, *CAPTURE_OF}
)
"""Conditions that apply to the run, or are found in the numbers, not to one stroke."""


@dataclass(frozen=True)
class StrokeTable:
    """One row per stroke. Milliseconds and kilopascals, NaN where not known; `bounce_on`,
    `bounce_off` edges, -1 where not known; `mark_bits` see marks.words; `extra` words of conditions
    by row. `edges_with_no_command` counts the unexpected switch edges of each row. `missed` is a
    stroke that ran its full time and was never answered; `after_rest` see rest_strokes.
    `response_half_ms`, `release_half_ms`: how far the stamps of a capture leave the time open,
    either way; 0 in a rig's own recording."""

    number: Int64
    on_ns: Int64
    answered: Bool
    settled: Bool
    missed: Bool
    response_ms: Float
    release_ms: Float
    first_edge_on_ms: Float
    first_edge_off_ms: Float
    bounce_on: Int64
    bounce_off: Int64
    at_switch_on_kpa: Float
    at_switch_off_kpa: Float
    edges_with_no_command: Int64
    mark_bits: Int64
    after_rest: Bool
    extra: dict[int, list[str]]
    response_half_ms: Float
    release_half_ms: Float

    def __len__(self) -> int:
        return len(self.number)

    def figure(self, key: str) -> Float:
        """The column of a figure (rig.core.figures), (n,)."""
        found: Float = getattr(self, key)
        return found

    def marks(self, row: int) -> list[str]:
        """The marks of one row, as words."""
        return marks.words(int(self.mark_bits[row])) + self.extra.get(row, [])

    @property
    def steady(self) -> Bool:
        """The rows that are not after a rest (rest_strokes.steady), (n,)."""
        return rest_strokes.steady(self.after_rest)

    @property
    def whole(self) -> Bool:
        """The completed rows: no trip, stop or crash during them, (n,)."""
        found: Bool = (self.mark_bits & marks.bit(marks.CUT_SHORT)) == 0
        return found

    @property
    def counted(self) -> Bool:
        """The completed steady rows: the run's figures use these, (n,)."""
        return self.steady & self.whole

    @property
    def bounce_on_ms(self) -> Float:
        """How long the switch bounced going on: first edge to settled edge."""
        return self.response_ms - self.first_edge_on_ms

    @property
    def bounce_off_ms(self) -> Float:
        """How long the switch bounced going off."""
        return self.release_ms - self.first_edge_off_ms

    @property
    def doubtful(self) -> Bool:
        """Rows with a mark that makes numbers doubtful (marks.DOUBTFUL), (n,)."""
        found: Bool = (self.mark_bits & marks.DOUBTFUL_BITS) != 0
        for row, words in self.extra.items():
            found[row] |= bool(marks.doubtful(words))
        return found

    def mark_counts(self) -> dict[str, int]:
        """Number of strokes with each mark."""
        counts = {
            mark: int(np.count_nonzero(self.mark_bits & marks.bit(mark)))
            for mark in marks.STROKE_MARKS
        }
        for words in self.extra.values():
            for word in words:
                counts[word] = counts.get(word, 0) + 1
        return {mark: count for mark, count in counts.items() if count}


def stroke_table(
    recording: Recording,
    track: SwitchTrack,
    windows: Windows,
    found: list[Doubts],
    pressure: SampleSeries | None,
    window_ns: int,
    last_ns: int,
    alike_kpa: float = 0.0,
    rest_ns: int | None = None,
) -> StrokeTable:
    """Evaluate every stroke of `windows`.

    `window_ns` is the settle window, `last_ns` the last instant of the recording, `pressure` the
    readings corrected for their age, `rest_ns` the sheet's rest between strokes. All columns have
    the length of `windows`.
    """
    n = len(windows)
    moves = _transitions(track, windows, window_ns, last_ns, holds=recording.source == "capture")
    on, off = _rows(moves, 0), _rows(moves, 1)
    known_on = ~(np.bool_(windows.has_readback) & (windows.live_ns >= NEVER))
    known_off = (windows.off_ns < NEVER) & ~(
        np.bool_(windows.has_readback) & (windows.dead_ns >= NEVER)
    )
    late = (on.first < 0) & ~on.start_on & _late_edge(track, off)
    answered = (on.first >= 0) | late
    first_on = np.where(late, off.low, on.first)
    cut = _cut_short(recording, windows)

    bits = stroke_bits(found, windows)
    bits |= _on_bits(track, windows, on, answered | cut, late, known_on)
    bits |= _off_bits(windows, off, known_off)
    bits |= np.where(cut, marks.bit(marks.CUT_SHORT), 0)
    unexpected = _unexpected(on, off)
    bits |= np.where(unexpected > 0, marks.bit(marks.UNEXPECTED), 0)

    swing = swing_kpa(pressure, windows.on_ns, windows.next_ns) if pressure is not None else None
    at_on, on_bits = _pressures(
        pressure, swing, track, on, windows.start_on_ns, alike_kpa, to_on=True
    )
    at_off, off_bits = _pressures(
        pressure, swing, track, off, windows.start_off_ns, alike_kpa, to_on=False
    )
    return StrokeTable(
        number=windows.number,
        on_ns=windows.on_ns,
        answered=answered,
        settled=(on.settled >= 0) & (off.settled >= 0),
        missed=~answered & ~cut,
        response_ms=_ms(track, on.settled, windows.start_on_ns, known_on),
        release_ms=_ms(track, off.settled, windows.start_off_ns, known_off),
        first_edge_on_ms=_ms(track, first_on, windows.start_on_ns, known_on),
        first_edge_off_ms=_ms(track, off.first, windows.start_off_ns, known_off),
        bounce_on=on.bounce,
        bounce_off=off.bounce,
        at_switch_on_kpa=at_on.value if at_on else np.full(n, np.nan),
        at_switch_off_kpa=at_off.value if at_off else np.full(n, np.nan),
        edges_with_no_command=unexpected,
        mark_bits=bits | on_bits | off_bits,
        after_rest=rest_strokes.after_rest(windows, rest_ns),
        extra=_conditions(recording, windows),
        response_half_ms=_half_ms(track, on.settled, windows.half_on_ns),
        release_half_ms=_half_ms(track, off.settled, windows.half_off_ns),
    )


def _transitions(
    track: SwitchTrack, windows: Windows, window_ns: int, last_ns: int, *, holds: bool
) -> Transitions:
    """Both parts of every stroke as rows: on, off, on, off ..."""
    starts = np.stack((windows.start_on_ns, windows.start_off_ns), axis=1).ravel()
    next_start = np.minimum(np.append(windows.start_on_ns, NEVER)[1:], windows_end(windows))
    ends = np.stack((windows.start_off_ns, next_start), axis=1).ravel()
    deadlines = np.stack((windows.off_ns, windows.next_ns), axis=1).ravel()
    to_on = np.tile(np.array([True, False]), len(windows))
    return transitions(track, starts, ends, deadlines, to_on, window_ns, last_ns, holds=holds)


def windows_end(windows: Windows) -> Int64:
    """End of the off part of each stroke: the next coil live, or the next energise where that is
    outside strokes."""
    following = np.append(windows.on_ns, NEVER)[1:]
    outside = windows.next_ns < following
    return np.where(outside, windows.next_ns, NEVER)


def _rows(moves: Transitions, part: int) -> Transitions:
    return Transitions(
        moves.low[part::2], moves.high[part::2], moves.first[part::2], moves.settled[part::2],
        moves.fell_back[part::2], moves.start_on[part::2], moves.by_end[part::2],
    )  # fmt: skip


def _ms(track: SwitchTrack, place: Int64, start_ns: Int64, known: Bool) -> Float:
    """Milliseconds from `start_ns` to the edge at `place`; NaN where place is -1 or not known."""
    t_ns = np.append(track.t_ns, 0)[place]
    there = (place >= 0) & known
    return np.where(there, (t_ns - np.where(there, start_ns, 0)) / NS_PER_MS, np.nan)


def _half_ms(track: SwitchTrack, place: Int64, half_ns: Int64) -> Float:
    """The half widths of both edges together: two stamps of one clock are not independent."""
    halves = track.half_ns if track.half_ns is not None else np.zeros(len(track.t_ns), np.int64)
    return np.asarray((np.append(halves, 0)[place] + half_ns) / NS_PER_MS, np.float64)


def _late_edge(track: SwitchTrack, off: Transitions) -> Bool:
    """The off part begins with an edge to the on state."""
    on = np.append(track.on, np.False_)[np.minimum(off.low, len(track.on))]
    return np.asarray((off.high > off.low) & on)


def _cut_short(recording: Recording, windows: Windows) -> Bool:
    """Strokes cut short by a trip, a stop or a crash: the last one of a run that did not finish. A
    capture has no end record and is used as it is, unless the coil is left on."""
    cut = np.zeros(len(windows), np.bool_)
    if not len(windows):
        return cut
    end = recording.end
    if end is not None:
        cut[-1] = end.reason != "finished"
    elif recording.source == "capture":
        cut[-1] = windows.off_ns[-1] >= NEVER
    else:
        cut[-1] = True
    for trip in recording.trips:
        row = int(np.searchsorted(windows.on_ns, trip.t_ns, "right")) - 1
        if row >= 0:
            cut[row] = True
    return cut


def _on_bits(
    track: SwitchTrack, windows: Windows, on: Transitions, closed: Bool, late: Bool, known: Bool
) -> Int64:
    """Marks of the energised part. Edges between command and coil belong to the part before.
    `closed` (n,): answered, or cut short, where nothing can be said."""
    states = np.concatenate(([bool(track.on_before)], track.on))
    at_command = np.searchsorted(track.t_ns, windows.on_ns, "left")
    went_on = np.concatenate(([0], np.cumsum(track.on)))
    released = windows.off_ns < NEVER
    unsettled = (on.first >= 0) & (on.settled < 0)
    seen = [
        (~closed, marks.NEVER_ANSWERED),
        (late, marks.ANSWERED_LATE),
        (states[at_command], marks.ALREADY_ON),
        (went_on[on.low] > went_on[at_command], marks.BEFORE_COIL),
        (unsettled & released, marks.ON_NOT_SETTLED),
        (unsettled & ~released, marks.ENDED_EARLY),
        (on.fell_back, marks.FELL_BACK),
        (on.after_settled > 0, marks.DROPPED_OUT),
        (on.by_end, marks.HELD),
        (~known & ~windows.live_before, marks.COIL_NOT_LIVE),
        (windows.live_before, marks.COIL_LIVE_BEFORE),
    ]
    return _bits(len(windows), seen)


def _off_bits(windows: Windows, off: Transitions, known: Bool) -> Int64:
    released = windows.off_ns < NEVER
    followed = windows.next_ns < NEVER
    unsettled = released & (off.settled < 0) & ((off.first >= 0) | off.start_on)
    seen = [
        (unsettled & followed, marks.OFF_NOT_SETTLED),
        (unsettled & ~followed & (off.first >= 0), marks.ENDED_EARLY),
        (unsettled & ~followed & (off.first < 0), marks.NOT_RELEASED),
        (off.fell_back, marks.FELL_BACK),
        (off.by_end, marks.HELD),
        (~released, marks.NO_RELEASE),
        (released & ~known, marks.COIL_NOT_DEAD),
    ]
    return _bits(len(windows), seen)


def _bits(n: int, seen: list[tuple[Bool, str]]) -> Int64:
    bits = np.zeros(n, np.int64)
    for rows, mark in seen:
        bits |= np.where(rows, marks.bit(mark), 0)
    return bits


def _unexpected(on: Transitions, off: Transitions) -> Int64:
    """Edges after the switch had settled, in both parts of each stroke."""
    return on.after_settled + off.after_settled


def _pressures(
    pressure: SampleSeries | None,
    swing: Float | None,
    track: SwitchTrack,
    part: Transitions,
    start_ns: Int64,
    alike_kpa: float,
    *,
    to_on: bool,
) -> tuple[PressureAt | None, Int64]:
    """Pressure at the first edge of each settled change, and the marks where not known; `swing` of
    the pressure in each stroke, (n,)."""
    if pressure is None or swing is None:
        return None, np.zeros(len(start_ns), np.int64)
    settled = part.settled >= 0
    t_ns = np.append(track.t_ns, 0)[part.first]
    apart = np.where(settled, (t_ns - start_ns) * TIME_SHARE, 0).astype(np.int64)
    found = pressure_at(pressure, t_ns, swing, STROKE_SHARE, alike_kpa, apart)
    slow = marks.PRESSURE_ON_SLOW if to_on else marks.PRESSURE_OFF_SLOW
    bad = marks.PRESSURE_ON_BAD if to_on else marks.PRESSURE_OFF_BAD
    bits = _bits(len(start_ns), [(found.slow & settled, slow), (found.bad & settled, bad)])
    return PressureAt(np.where(settled, found.value, np.nan), found.slow, found.bad), bits


def _conditions(recording: Recording, windows: Windows) -> dict[int, list[str]]:
    """The kinds of the conditions in each stroke, by row."""
    extra: dict[int, list[str]] = {}
    for condition in recording.conditions:
        row = int(np.searchsorted(windows.on_ns, condition.t_ns, "right")) - 1
        # a sequence gap is found in the numbers themselves, with both its ends (edge_loss.py)
        if row < 0 or condition.kind in NO_MARKS_OF_STROKES:
            continue
        words = extra.setdefault(row, [])
        if condition.kind not in words:
            words.append(condition.kind)
    return extra
