# SPDX-License-Identifier: MIT
"""Where each stroke lies on the time axis, and the window that shows one of them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rig.core.clock import NS_PER_MS, NS_PER_S
from rig.core.recording import Recording
from rig.core.records import READBACK
from webui.charts.timeline import last_ns

SPARE = 0.08
"""Room ahead of the energise, as a part of the window."""


class StrokeTimes(NamedTuple):
    """The instants of one stroke, ns; None where it did not happen or nothing shows it.

    `live_ns` and `dead_ns` are the first read-back edge after the command.
    """

    number: int
    on_ns: int
    off_ns: int | None
    next_on_ns: int | None
    live_ns: int | None
    dead_ns: int | None


def numbers(recording: Recording) -> list[int]:
    """The numbers of the strokes that were commanded, in order."""
    commands = recording.commands
    return [int(n) for n in commands.stroke[commands.on] if n > 0]


def times(recording: Recording, number: int) -> StrokeTimes | None:
    """When stroke `number` was commanded and when the coil followed; None if it never was."""
    commands = recording.commands
    at = np.flatnonzero((commands.stroke == number) & commands.on)
    if not len(at):
        return None
    i = int(at[0])
    on_ns = int(commands.t_ns[i])
    off_ns = _first_time(commands.t_ns[i + 1 :][~commands.on[i + 1 :]])
    next_on_ns = _first_time(commands.t_ns[i + 1 :][commands.on[i + 1 :]])
    live = recording.readback_live_level
    live_ns = _edge(recording, live, on_ns, off_ns)
    dead_ns = None if off_ns is None else _edge(recording, 1 - live, off_ns, next_on_ns)
    return StrokeTimes(number, on_ns, off_ns, next_on_ns, live_ns, dead_ns)


def window(recording: Recording, stroke: StrokeTimes, release_ms: float | None) -> tuple[int, int]:
    """From a little ahead of the energise to the next one, or to what the release needs.

    A long rest is cut: it shows as long after the release as the coil was on, at least 200 ms and
    at least twice the release time.
    """
    end = last_ns(recording)
    off_ns = stroke.off_ns if stroke.off_ns is not None else end
    on_for = max(off_ns - stroke.on_ns, 0)
    after = max(on_for, NS_PER_S // 5)
    if release_ms is not None:
        after = max(after, int(2 * release_ms * NS_PER_MS))
    before_next = end if stroke.next_on_ns is None else stroke.next_on_ns - 1
    to_ns = min(off_ns + after, before_next, end)
    to_ns = max(to_ns, stroke.on_ns + NS_PER_MS)
    ahead = int((to_ns - stroke.on_ns) * SPARE)
    return max(stroke.on_ns - ahead, recording.t0_ns), to_ns


def _first_time(t_ns: np.ndarray[tuple[int], np.dtype[np.int64]]) -> int | None:
    return int(t_ns[0]) if len(t_ns) else None


def _edge(recording: Recording, level: int, from_ns: int, to_ns: int | None) -> int | None:
    series = recording.edges.get(READBACK)
    if series is None:
        return None
    fits = (series.level == level) & (series.t_ns >= from_ns)
    if to_ns is not None:
        fits &= series.t_ns < to_ns
    return _first_time(series.t_ns[fits])
