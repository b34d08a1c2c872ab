# SPDX-License-Identifier: MIT
"""How the switch went to a wanted state in each of many time windows, all at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.analysis.measure.stroke_windows import NEVER
from rig.analysis.measure.switch_state import SwitchTrack
from rig.core.recording import Bool, Int64


@dataclass(frozen=True)
class Transitions:
    """One row per window. `first` and `settled` are indices into the switch's edges, -1 where there
    is none: the first edge into the wanted state, and the edge after which the switch stays put in
    it for the settle window before `deadline`. `low` and `high` bound the window's edges.
    `fell_back`: between the two the switch stayed put in the other state. `start_on` is the state
    at the window's start (off where not known); `by_end`: only the recording's end, not a further
    edge, ended the settle window."""

    low: Int64
    high: Int64
    first: Int64
    settled: Int64
    fell_back: Bool
    start_on: Bool
    by_end: Bool

    @property
    def bounce(self) -> Int64:
        """Edges after the first and up to the settled one; -1 where not settled."""
        return np.where(self.settled >= 0, self.settled - self.first, -1)

    @property
    def after_settled(self) -> Int64:
        """Edges in the window after the settled one."""
        return np.where(self.settled >= 0, self.high - 1 - self.settled, 0)


def transitions(
    track: SwitchTrack,
    start_ns: Int64,
    end_ns: Int64,
    deadline_ns: Int64,
    to_on: Bool,
    window_ns: int,
    last_ns: int,
    *,
    holds: bool,
) -> Transitions:
    """Search every window [start, end) for a change to the state `to_on` (n,).

    Windows are in order and do not overlap. The switch has settled at an edge when no other edge
    and no deadline (the next command) comes within `window_ns` after it. The recording gives the
    switch state until `last_ns`; with `holds` (a capture: a value holds until the next row) also
    after.
    """
    t, on = track.t_ns, track.on
    low = np.searchsorted(t, start_ns, "left")
    high = np.searchsorted(t, np.minimum(end_ns, NEVER), "left")
    owner = np.searchsorted(start_ns, t, "right") - 1
    inside = (owner >= 0) & (t < end_ns[owner]) if len(start_ns) else np.zeros(len(t), np.bool_)
    owner = np.maximum(owner, 0)
    following = np.append(t[1:], NEVER)[: len(t)]
    if len(start_ns):
        until = np.minimum(following, deadline_ns[owner])
        wanted = on == to_on[owner]
    else:
        until, wanted = following, on
    quiet_if_held = until - t >= window_ns
    quiet = np.minimum(until, last_ns) - t >= window_ns
    enough = quiet_if_held if holds else quiet
    settled = _first_in(np.flatnonzero(inside & wanted & enough), low, high)
    first = _first_in(np.flatnonzero(inside & wanted), low, high)
    rests = np.concatenate(([0], np.cumsum(inside & ~wanted & quiet)))
    fell_back = (settled >= 0) & (rests[np.maximum(settled, 0)] > rests[np.maximum(first, 0)])
    states = np.concatenate(([bool(track.on_before)], on))
    padded = np.append(quiet, np.True_)
    return Transitions(low, high, first, settled, fell_back, states[low], ~padded[settled])


def _first_in(places: Int64, low: Int64, high: Int64) -> Int64:
    """For each [low, high): the first of the sorted `places` in it, or -1."""
    padded = np.append(places, np.iinfo(np.int64).max)
    found = padded[np.searchsorted(places, low)]
    return np.where(found < high, found, -1)
