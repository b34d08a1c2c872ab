# SPDX-License-Identifier: MIT
"""What the rig itself adds to a time: measured on a run without a valve, and applied to others.

In that run a resistor replaces the coil and the load side is wired to the switch input, so that the
true time from coil live (or dead) to the switch edge is 0. The result is the rig's own: its mean is
a correction, its scatter a Type A uncertainty (JCGM 100:2008, 4.2).
"""

from __future__ import annotations

import datetime
import math
from typing import NamedTuple

import numpy as np

from rig.analysis.measure.stroke_windows import (
    NEVER,
    Reference,
    Windows,
    after,
    reference,
    stroke_windows,
)
from rig.analysis.stats.uncertainty import Line
from rig.config.dated import DATE_NOT_KNOWN, IN_DATE, OUT_OF_DATE
from rig.config.setup.model import RelaySetup, Setup
from rig.config.setup.timing import ASSUMED, TimingSetup
from rig.core.recording import Bool, Float, Int64, Recording
from rig.core.records import READBACK, SWITCH

FEWEST = 30
MISSING_MOST = 0.01
"""Maximum share of strokes without both edges in a loop: the kernel loses edges now and then
(common practice, no source)."""
FAR_MS = 5.0
"""Two inputs fed from one point are never this far apart; otherwise a valve answers, not the loop
(common practice, no source)."""
MEAN, SCATTER = "rig's own time", "rig's own scatter"


class Way(NamedTuple):
    """Coil live, or coil dead. `n` strokes: mean and standard deviation of the time to the switch
    edge, and minimum and maximum from the command to the coil; ms."""

    n: int
    mean_ms: float
    sd_ms: float
    least_ms: float
    most_ms: float


class OwnTimes(NamedTuple):
    """Result of a run without a valve. `left_out`: strokes without both edges."""

    timed_from: str
    response: Way
    release: Way
    left_out: int


class NoLoopError(ValueError):
    """This run does not show the rig's own times; the text says why."""


def own_times(recording: Recording, relay: RelaySetup) -> OwnTimes:
    """The rig's own times from a run with the loop wired. Raises NoLoopError.

    Without a read-back, only the setup's `relay` distinguishes the loop from a valve that
    answers."""
    windows = stroke_windows(recording)
    edges, rest = recording.edges.get(SWITCH), recording.start_level(SWITCH)
    if edges is None or rest is None or not len(windows):
        raise NoLoopError("there are no strokes with edges of the switch input")
    order = np.argsort(edges.t_ns, kind="stable")
    t_ns, away = edges.t_ns[order], edges.level[order] != rest
    on_ns = after(t_ns[away], windows.on_ns, windows.off_ns)
    off_ns = after(t_ns[~away], windows.off_ns, windows.next_ns)
    live_ns, dead_ns = (
        (windows.live_ns, windows.dead_ns) if windows.has_readback else (on_ns, off_ns)
    )
    whole = (on_ns < NEVER) & (off_ns < NEVER) & (live_ns < NEVER) & (dead_ns < NEVER)
    lost = int(np.count_nonzero(~whole))
    if lost > max(MISSING_MOST * len(windows), 1):
        raise NoLoopError(
            f"in {lost} of {len(windows)} strokes the switch input or the read-back gave no edge"
        )
    alike_on, alike_off = _bounced_alike(recording, windows)
    found = OwnTimes(
        "read-back" if windows.has_readback else "command",
        _way(windows, whole, alike_on, windows.on_ns, live_ns, on_ns),
        _way(windows, whole, alike_off, windows.off_ns, dead_ns, off_ns),
        lost,
    )
    if windows.has_readback:
        far = max(abs(found.response.mean_ms), abs(found.release.mean_ms))
        if far > FAR_MS:
            raise NoLoopError(
                f"the switch input follows the load side {far:.1f} ms late: a valve answers there"
            )
        return found
    stated_s = relay.operate_delay_s, relay.release_delay_s
    ways = ("operate_delay", found.response), ("release_delay", found.release)
    for (key, way), most_s in zip(ways, stated_s, strict=True):
        if way.most_ms > 1e3 * most_s:
            raise NoLoopError(
                f"the switch input follows the command by up to {way.most_ms:.1f} ms, and the "
                f"setup states [relay] {key} of {1e3 * most_s:g} ms at most: a valve may answer. "
                f"Only if the relay itself is so slow, by its data sheet, state {key} accordingly"
            )
    return found


def _bounced_alike(recording: Recording, windows: Windows) -> tuple[Bool, Bool]:
    """Which strokes (n,) show the same number of edges on both inputs, after on and after off. If
    one input alone misses a short bounce, its first edge belongs to another touch."""
    every = np.ones(len(windows), np.bool_)
    if not windows.has_readback:
        return every, every

    def counts(line: str) -> tuple[Int64, Int64]:
        edges = recording.edges.get(line)
        t_ns = np.sort(edges.t_ns) if edges is not None else np.zeros(0, np.int64)
        on, off, ends = (
            np.searchsorted(t_ns, at) for at in (windows.on_ns, windows.off_ns, windows.next_ns)
        )
        return off - on, ends - off

    of_switch, of_readback = counts(SWITCH), counts(READBACK)
    return of_switch[0] == of_readback[0], of_switch[1] == of_readback[1]


def _way(
    windows: Windows, whole: Bool, alike: Bool, command_ns: Int64, coil_ns: Int64, switch_ns: Int64
) -> Way:  # fmt: skip
    taken = whole & alike
    n = int(np.count_nonzero(taken))
    if n < FEWEST:
        raise NoLoopError(
            f"{n} strokes that both inputs show alike are too few ({FEWEST} or more): do more"
        )
    began = coil_ns if windows.has_readback else command_ns
    own: Float = (switch_ns - began)[taken] / 1e6
    delay: Float = (coil_ns - command_ns)[whole] / 1e6
    sd = float(own.std(ddof=1))
    return Way(n, float(own.mean()), sd, float(delay.min()), float(delay.max()))


class Applied(NamedTuple):
    """The rig's own times applied to a run: `made` of the setup, None where they are assumed;
    `state` see Dated.state, ASSUMED without; `why` see Standing; `wired` Setup.wired_for_timing of
    the run."""

    made: TimingSetup | None
    state: str
    why: str = ""
    wired: str = ""

    @property
    def overdue(self) -> bool:
        """Whether the assumed bounds are added: also where the day of the run is not known."""
        return self.state in (OUT_OF_DATE, DATE_NOT_KNOWN)

    def way(self, name: str) -> Way | None:
        """For "response" or "release"; None where it was not measured."""
        made = self.made
        if made is None:
            return None
        if name == "response":
            figures = (made.response_n, made.response_mean_s, made.response_sd_s)
            delay_s = made.operate_delay_s
        else:
            figures = (made.release_n, made.release_mean_s, made.release_sd_s)
            delay_s = made.release_delay_s
        n, mean_s, sd_s = figures
        return Way(n, 1e3 * mean_s, 1e3 * sd_s, 1e3 * delay_s[0], 1e3 * delay_s[1])

    def switch_late(self, name: str) -> Way | None:
        """How much later than the read-back the switch input reports an edge, for the edges of
        "response" (to on) or "release". None where it was not measured: timed from a command, it
        includes the relay delay and cannot be separated."""
        timed = self.made is not None and self.made.timed_from == "read-back"
        return self.way(name) if timed else None


def applied_timing(
    recording: Recording, setup: Setup | None, on: datetime.date | None
) -> Applied | None:
    """The setup's `[timing]` for this run, done on that day. None for a capture, whose edges
    another instrument stamped."""
    if setup is None or recording.source == "capture":
        return None
    made = setup.timing
    if made is None:
        return Applied(None, ASSUMED, wired=setup.wired_for_timing)
    standing = made.standing(on, setup.wired_for_timing, recording.source)
    return Applied(made, *standing, wired=setup.wired_for_timing)


def reference_of(windows: Windows, setup: Setup | None, applied: Applied | None) -> Reference:
    """The reference these strokes are timed from, with the relay delays as far as known."""
    on, off = (None if applied is None else applied.way(name) for name in ("response", "release"))
    measured = None
    if on is not None and off is not None:
        measured = (on.least_ms, on.most_ms), (off.least_ms, off.most_ms)
    overdue = applied is not None and applied.overdue
    return reference(windows, setup, measured, overdue=overdue)


def own_lines(way: Way, applied: Applied, *, single: bool) -> list[Line]:
    """Remaining uncertainty of a time on a measured rig: its mean, and for a single stroke its
    scatter (in a mean that is part of the repeatability)."""
    date = applied.made.date if applied.made is not None else ""
    lines = [
        Line(MEAN, way.sd_ms / math.sqrt(way.n), "ms", "t", -1.0, way.n - 1,
             f"measured {date}: {way.mean_ms:.4g} ms, mean of {way.n} strokes, subtracted"),
    ]  # fmt: skip
    if single:
        note = f"measured {date}: of one stroke"
        lines.append(Line(SCATTER, way.sd_ms, "ms", "t", -1.0, way.n - 1, note))
    return lines


def remarks(applied: Applied | None) -> list[str]:
    """Sentences that apply to every time of the run; none where all is well."""
    if applied is None or applied.made is None or applied.state == IN_DATE:
        return []
    if applied.why:
        return [applied.why]
    return [
        "Whether the rig's own timing was in date is not known "
        f"(measured {applied.made.date}, due {applied.made.due})."
    ]
