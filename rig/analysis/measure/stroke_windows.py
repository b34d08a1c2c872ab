# SPDX-License-Identifier: MIT
"""The strokes of a recording: when each was commanded, and when its coil went live and dead."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.config.setup.model import Setup
from rig.core.recording import Bool, Float, Int64, Recording
from rig.core.records import READBACK

NEVER = np.int64(1) << np.int64(62)
"""Marks "did not happen" where an instant is an int64."""


@dataclass(frozen=True)
class Windows:
    """One row per stroke, all int64 nanoseconds, NEVER where it did not happen.

    `on_ns`, `off_ns` are the commands, `next_ns` the next energise of any kind; `live_ns`,
    `dead_ns` the first read-back edges after them. `start_on_ns` and `start_off_ns` begin the two
    parts of the stroke: the read-back edge, else the command. `live_before` (n,): the coil was
    already live at the energise command. `half_on_ns`, `half_off_ns` (n,): how far the two starts
    may lie from their instants; 0 where the kernel stamped them.
    """

    number: Int64
    on_ns: Int64
    off_ns: Int64
    next_ns: Int64
    live_ns: Int64
    dead_ns: Int64
    start_on_ns: Int64
    start_off_ns: Int64
    live_before: Bool
    write_ns: Int64
    has_readback: bool
    half_on_ns: Int64
    half_off_ns: Int64

    def __len__(self) -> int:
        return len(self.number)


@dataclass(frozen=True)
class Reference:
    """The start of timing for response and release: "read-back" (its first edge) or "command" (its
    written instant). The true time is then shorter by the relay delay: at least by
    `response_least_ms`, `release_least_ms`, at most by `response_ms`, `release_ms`; None where no
    setup states it."""

    of: str
    response_ms: float | None
    release_ms: float | None
    response_least_ms: float | None = None
    release_least_ms: float | None = None

    def delay_ms(self, name: str) -> tuple[float, float] | None:
        """Minimum and maximum for "response" or "release"; None where they are not known."""
        most = self.response_ms if name == "response" else self.release_ms
        least = self.response_least_ms if name == "response" else self.release_least_ms
        return None if most is None or least is None else (least, most)


Range = tuple[float, float]
BOUNCE_NS = 15_000_000
"""Read-back edges this soon after the first are contact bounce (common practice, no source)."""


def relay_bounce_ms(recording: Recording, windows: Windows) -> tuple[Float, Float]:
    """How long the load side bounced in each stroke, ms: from its first edge to the last in the
    same direction within BOUNCE_NS, going live (n,) and going dead (n,). 0 where it did not bounce
    or no edge was seen."""
    edges = recording.edges.get(READBACK)
    zero = np.zeros(len(windows))
    if edges is None or not len(edges.t_ns):
        return zero, zero
    order = np.argsort(edges.t_ns, kind="stable")
    t_ns, live = edges.t_ns[order], edges.level[order] == recording.readback_live_level
    return (
        _span_ms(t_ns[live], windows.live_ns, windows.off_ns),
        _span_ms(t_ns[~live], windows.dead_ns, windows.next_ns),
    )


def _span_ms(t_ns: Int64, first_ns: Int64, end_ns: Int64) -> Float:
    there = first_ns < NEVER
    until = np.minimum(np.where(there, first_ns, 0) + BOUNCE_NS, end_ns - 1)
    last = np.append(t_ns, 0)[np.searchsorted(t_ns, until, "right") - 1]
    return np.where(there, (last - np.where(there, first_ns, 0)) / 1e6, 0.0)


def last_ns(recording: Recording) -> int:
    """The last instant in the recording."""
    if recording.end is not None:
        return recording.end.t_ns
    series = [recording.commands.t_ns]
    series += [edges.t_ns for edges in recording.edges.values()]
    series += [levels.t_ns for levels in recording.levels.values()]
    series += [samples.t_ns for samples in recording.samples.values()]
    times = [int(t.max()) for t in series if len(t)]
    times += [step.t_ns for step in recording.steps]
    times += [condition.t_ns for condition in recording.conditions]
    return max(times, default=recording.t0_ns)


def after(times: Int64, start_ns: Int64, end_ns: Int64) -> Int64:
    """For each window [start, end): the first of the sorted `times` in it, or NEVER."""
    padded = np.append(times, NEVER)
    found = padded[np.searchsorted(times, start_ns, "left")]
    return np.where(found < end_ns, found, NEVER)


def stroke_windows(recording: Recording) -> Windows:
    """The strokes: every energise with a stroke number while the relay was commanded off."""
    commands = recording.commands
    on = commands.on
    fresh = on & ~np.concatenate((np.zeros(1, np.bool_), on))[:-1]
    fresh_places = np.flatnonzero(fresh)
    is_stroke = commands.stroke[fresh_places] > 0
    places = fresh_places[is_stroke]
    on_ns = commands.t_ns[places]
    next_ns = np.append(commands.t_ns[fresh_places], NEVER)[1:][is_stroke]
    off_places = np.append(np.flatnonzero(~on), len(on))
    following = off_places[np.searchsorted(off_places, places)]
    off_ns = np.append(commands.t_ns, NEVER)[following]
    halves = commands.half_ns if commands.half_ns is not None else np.zeros(len(on), np.int64)
    half_on, half_off = halves[places], np.append(halves, 0)[following]

    edges, start_level = recording.edges.get(READBACK), recording.start_level(READBACK)
    live_before = np.zeros(len(places), np.bool_)
    if start_level is None:
        live_ns = dead_ns = np.full(len(places), NEVER)
    else:
        live_level = recording.readback_live_level
        t_ns = edges.t_ns if edges is not None else np.zeros(0, np.int64)
        live = edges.level == live_level if edges is not None else np.zeros(0, np.bool_)
        order = np.argsort(t_ns, kind="stable")
        t_ns, live = t_ns[order], live[order]
        live_ns = after(t_ns[live], on_ns, off_ns)
        dead_ns = after(t_ns[~live], off_ns, next_ns)
        states = np.concatenate(([start_level == live_level], live))
        live_before = states[np.searchsorted(t_ns, on_ns, "left")]
        if edges is not None and edges.half_ns is not None:
            of_edges = np.append(edges.half_ns[order], 0)
            half_on = np.where(live_ns < NEVER, of_edges[np.searchsorted(t_ns, live_ns)], half_on)
            half_off = np.where(dead_ns < NEVER, of_edges[np.searchsorted(t_ns, dead_ns)], half_off)
    return Windows(
        number=commands.stroke[places],
        on_ns=on_ns,
        off_ns=off_ns,
        next_ns=next_ns,
        live_ns=live_ns,
        dead_ns=dead_ns,
        start_on_ns=np.where(live_ns < NEVER, live_ns, on_ns),
        start_off_ns=np.where(dead_ns < NEVER, dead_ns, off_ns),
        live_before=live_before,
        write_ns=(commands.done_ns - commands.t_ns)[places],
        has_readback=start_level is not None,
        half_on_ns=half_on,
        half_off_ns=half_off,
    )


def reference(
    windows: Windows, setup: Setup | None, measured_ms: tuple[Range, Range] | None = None,
    *, overdue: bool = False,
) -> Reference:  # fmt: skip
    """The reference for response and release of these strokes. `measured_ms`: the relay delays on
    and off from the setup's `[timing]`; if `overdue`, what the setup states is included as well."""
    if windows.has_readback:
        return Reference("read-back", 0.0, 0.0, 0.0, 0.0)
    if setup is None:
        return Reference("command", None, None)
    write_ms = float(windows.write_ns.max()) / 1e6 if len(windows) else 0.0
    stated = setup.relay.operate_range_s, setup.relay.release_range_s
    on, off = measured_ms or [(1e3 * least, 1e3 * most) for least, most in stated]
    if overdue:
        on, off = (
            (min(least, 1e3 * low), max(most, 1e3 * high))
            for (least, most), (low, high) in zip((on, off), stated, strict=True)
        )
    return Reference("command", on[1] + write_ms, off[1] + write_ms, on[0], off[0])
