# SPDX-License-Identifier: MIT
"""Locate each stroke on the time axis, and the window that shows it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rig.analysis.measure.stroke_windows import NEVER, stroke_windows
from rig.core.clock import NS_PER_MS, NS_PER_S
from rig.core.recording import Recording
from webui.charts.timeline import last_ns

SPARE = 0.08
"""Room ahead of the energise, as a part of the window."""


class StrokeTimes(NamedTuple):
    """The instants of one stroke, ns; None if it did not happen or nothing shows it.

    `live_ns` and `dead_ns` are the first read-back edge after the command.
    """

    number: int
    on_ns: int
    off_ns: int | None
    next_on_ns: int | None
    live_ns: int | None
    dead_ns: int | None


def times(recording: Recording, number: int) -> StrokeTimes | None:
    """When stroke `number` was commanded and when the coil followed; None if it was never
    commanded."""
    windows = stroke_windows(recording)
    rows = np.flatnonzero(windows.number == number)
    if not len(rows):
        return None
    off_ns, next_ns, live_ns, dead_ns = (
        None if column[rows[0]] >= NEVER else int(column[rows[0]])
        for column in (windows.off_ns, windows.next_ns, windows.live_ns, windows.dead_ns)
    )
    return StrokeTimes(number, int(windows.on_ns[rows[0]]), off_ns, next_ns, live_ns, dead_ns)


def window(recording: Recording, stroke: StrokeTimes, release_ms: float | None) -> tuple[int, int]:
    """Window from just before the energise to the next one, or to the end of the release.

    A long rest is cut: the window continues after the release for as long as the coil was on, at
    least 200 ms and at least twice the release time.
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
