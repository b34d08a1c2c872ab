# SPDX-License-Identifier: MIT
"""Was every edge recorded? Sequence gaps, broken alternation, and polled levels that disagree."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rig.analysis.measure import marks
from rig.analysis.measure.stroke_windows import Windows
from rig.core.recording import Int64, LevelSeries, Recording
from rig.core.records import READBACK, SWITCH

LEVEL_GUARD_NS = 5_000_000
"""A poll this close to an edge is not judged: the two are read one after the other."""


class Doubts(NamedTuple):
    """Spans of time [from, to] (n,) in which something of kind `mark` happened."""

    mark: str
    from_ns: Int64
    to_ns: Int64


def doubts(recording: Recording) -> list[Doubts]:
    """Every span in which an edge of switch or read-back was lost or merged."""
    found: list[Doubts] = []
    for line in (SWITCH, READBACK):
        edges = recording.edges.get(line)
        levels = recording.levels.get(line)
        if edges is not None and len(edges.t_ns):
            found += _gaps(edges.t_ns, edges.sequence)
            same = np.flatnonzero(edges.level[1:] == edges.level[:-1])
            found.append(Doubts(marks.NOT_ALTERNATING, edges.t_ns[same], edges.t_ns[same + 1]))
        if levels is not None and len(levels.t_ns):
            t_ns = edges.t_ns if edges is not None else np.zeros(0, np.int64)
            level = edges.level if edges is not None else np.zeros(0, np.int8)
            found.append(_disagreements(t_ns, level, levels))
    return [span for span in found if len(span.from_ns)]


def _gaps(t_ns: Int64, sequence: Int64) -> list[Doubts]:
    """Sequence gaps. A source that does not count gives 0 throughout. The first number says
    nothing: edges before the run are not recorded."""
    if not sequence.any():
        return []
    gap = np.flatnonzero(np.diff(sequence) != 1)
    return [Doubts(marks.EDGES_LOST, t_ns[gap], t_ns[gap + 1])]


def _disagreements(t_ns: Int64, level: np.typing.NDArray[np.int8], polls: LevelSeries) -> Doubts:
    """Polls that disagree with the level after the last edge before them (before the first edge:
    the level before that edge). Without any edge all polls must agree."""
    place = np.searchsorted(t_ns, polls.t_ns, "right")
    start = 1 - level[0] if len(level) else polls.level[0]
    expected = np.concatenate(([start], level))[place]
    padded = np.concatenate(([-(1 << 62)], t_ns, [1 << 62]))
    before, following = padded[place], padded[place + 1]
    clear = (polls.t_ns - before > LEVEL_GUARD_NS) & (following - polls.t_ns > LEVEL_GUARD_NS)
    wrong = clear & (polls.level != expected)
    return Doubts(
        marks.LEVEL_DISAGREES, np.maximum(before, polls.t_ns[0])[wrong], polls.t_ns[wrong]
    )


def stroke_bits(found: list[Doubts], windows: Windows) -> Int64:
    """The doubts as bits of the strokes they overlap, (strokes,) int64.

    A stroke lasts from its energise to the next one's.
    """
    n = len(windows)
    bits = np.zeros(n, np.int64)
    for span in found:
        first = np.searchsorted(windows.on_ns, span.from_ns, "right") - 1
        last = np.searchsorted(windows.on_ns, span.to_ns, "right") - 1
        steps = np.zeros(n + 1, np.int64)
        hit = last >= 0
        np.add.at(steps, np.maximum(first[hit], 0), 1)
        np.add.at(steps, last[hit] + 1, -1)
        bits |= np.where(np.cumsum(steps)[:n] > 0, marks.bit(span.mark), 0)
    return bits
