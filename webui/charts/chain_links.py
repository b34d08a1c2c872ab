# SPDX-License-Identifier: MIT
"""The chain of one stroke, link by link, with each link's time where it was measured.

relay -> coil -> plunger -> spool and passage -> pressure -> switch. A link is measured only if the
recording shows both its ends and it is longer than its uncertainty; consecutive links without such
an instant between them share one time.
"""

from __future__ import annotations

import itertools
import math
from typing import Literal, NamedTuple

from rig.analysis.measure.pressure_rise_fall import FALLS
from rig.core.clock import NS_PER_MS
from rig.core.results.run import Stroke
from webui.api.models_lesson import Chain, Link, LinksTogether, Span
from webui.charts.strokes import StrokeTimes

Way = Literal["on", "off"]

LINKS = ("relay", "coil", "plunger", "spool and passage", "pressure", "switch")
HAPPENS = {
    "on": {
        "relay": "its contact closes",
        "coil": "the current rises; the plunger does not move yet",
        "plunger": "it travels to its stop; the current dips",
        "spool and passage": "pilot pressure moves the spool; behind it no pressure yet",
        "pressure": "it rises until the switch moves",
        "switch": "its contact bounces, then settles",
    },
    "off": {
        "relay": "its contact opens",
        "coil": "the current dies away; the plunger is still held",
        "plunger": "its spring drives it back",
        "spool and passage": "the spool goes back; the pressure stands yet",
        "pressure": "it falls until the switch moves",
        "switch": "its contact bounces, then settles",
    },
}
SEEN_BY = {
    "relay": "coil read-back",
    "coil": "coil current",
    "plunger": "coil current",
    "spool and passage": "coil current and pressure",
    "pressure": "pressure and switch",
    "switch": "switch contact",
}


class Instant(NamedTuple):
    """One end of a link, ms after the command, with its expanded uncertainty (95 %); None for a
    time stamp, whose uncertainty is far below what a page shows."""

    t_ms: float
    u95_ms: float | None = None


class Instants(NamedTuple):
    """The ends of the links; None if nothing shows it. `moves`: the pressure has changed by 2 % of
    its whole change, and beyond its noise (rig.analysis.measure.pressure_rise_fall)."""

    live: Instant | None
    leaves: Instant | None
    seated: Instant | None
    moves: Instant | None
    first: Instant | None
    settled: Instant | None

    @property
    def live_ms(self) -> float | None:
        return None if self.live is None else self.live.t_ms

    @property
    def settled_ms(self) -> float | None:
        return None if self.settled is None else self.settled.t_ms

    @property
    def last_ms(self) -> float | None:
        """Ends that belong to the switch, if it answered."""
        last = self.settled or self.first
        return None if last is None else last.t_ms


def instants(times: StrokeTimes, figures: Stroke, way: Way) -> Instants | None:
    """The ends of one stroke: `times` from the recording, `figures` the stroke's result. None if
    the command itself never came."""
    on = way == "on"
    command_ns = times.on_ns if on else times.off_ns
    if command_ns is None:
        return None
    edge_ns = times.live_ns if on else times.dead_ns
    live = None if edge_ns is None else (edge_ns - command_ns) / NS_PER_MS
    current, pressure = figures["current"], figures["pressure"]

    def after(value: float | None, u95_ms: float | None = None) -> Instant | None:
        """The result's times count from the coil's edge, or from the command if there is none."""
        return None if value is None else Instant(value + (live or 0.0), u95_ms)

    leaves = seated = moves = None
    if current is not None and live is not None:
        if on:
            leaves = after(current["electrical_ms"], current["electrical_ms_u95"])
            seated = after(current["seated_ms"], current["seated_ms_u95"])
        else:
            leaves = after(current["back_leaves_ms"], current.get("back_leaves_ms_u95"))
            seated = after(current["back_seated_ms"], current.get("back_seated_ms_u95"))
    if pressure is not None and FALLS not in pressure["note"]:  # else not that of this chain
        u_delay = pressure["u_delay_ms"]  # of the 50 % delay: same readings, age and stamps
        delay = pressure["delay_first_ms"] if on else pressure["fall_delay_first_ms"]
        moves = after(delay, None if u_delay is None else 2.0 * u_delay)
    first = after(figures["first_edge_on_ms"] if on else figures["first_edge_off_ms"])
    settled = after(figures["response_ms"] if on else figures["release_ms"])
    found = Instants(None if live is None else Instant(live), leaves, seated, moves, first, settled)
    return _in_order(found)


def _in_order(found: Instants) -> Instants:
    """Drop an instant earlier than a preceding link's, or later than the switch's first edge: it
    shows something else."""
    until = math.inf if found.first is None else found.first.t_ms
    at, kept = found.live_ms or 0.0, []
    for one in (found.leaves, found.seated, found.moves):
        good = one if one is not None and at <= one.t_ms <= until else None
        kept.append(good)
        at = at if good is None else good.t_ms
    leaves, seated, moves = kept
    return found._replace(leaves=leaves, seated=seated, moves=moves)


def _apart(a: Instant, b: Instant) -> tuple[float, float | None]:
    """Distance between two ends and its uncertainty: both ends are independent."""
    known = [one.u95_ms for one in (a, b) if one.u95_ms is not None]
    return b.t_ms - a.t_ms, math.hypot(*known) if known else None


def separable(found: Instants) -> list[Instant | None]:
    """The ends from the command on, without those that cannot be resolved: where a link would be no
    longer than its uncertainty, the less certain end is dropped."""
    ends: list[Instant | None] = [Instant(0.0), *found]
    while True:
        known = [n for n, one in enumerate(ends) if one is not None]
        worst = None
        for a, b in itertools.pairwise(known):
            begins, stops = ends[a], ends[b]
            if begins is None or stops is None:
                continue
            took, u95 = _apart(begins, stops)
            if u95 is not None and took <= u95:
                less_sure = max((a, b), key=lambda n: _u(ends[n]))
                if worst is None or _u(ends[less_sure]) > _u(ends[worst]):
                    worst = less_sure
        if worst is None:
            return ends
        ends[worst] = None


def _u(one: Instant | None) -> float:
    return 0.0 if one is None or one.u95_ms is None else one.u95_ms


def links(found: Instants, way: Way) -> Chain:
    """`links`: each with from, to and time taken, null if not measured. `together`: the times of
    consecutive links that share one. The last may have no end. `dip`: where the current shows that
    the plunger has moved."""
    ends = separable(found)
    shape: list[Link] = []
    for n, name in enumerate(LINKS):
        begins, stops = ends[n], ends[n + 1]
        one: Link = {
            "name": name, "happens": HAPPENS[way][name], "measured": False, "from_ms": None,
            "to_ms": None, "took_ms": None, "u95_ms": None, "seen_by": SEEN_BY[name],
        }  # fmt: skip
        if begins is not None and stops is not None:
            one = {**one, **_span(begins, stops), "measured": True}
        shape.append(one)
    dip = found.seated
    return {
        "links": shape,
        "together": _together(ends),
        "dip": None if dip is None else {"t_ms": round(dip.t_ms, 6), "u95_ms": _ms(dip.u95_ms)},
    }


def _span(begins: Instant, stops: Instant) -> Span:
    took, u95 = _apart(begins, stops)
    return {
        "from_ms": _ms(begins.t_ms),
        "to_ms": _ms(stops.t_ms),
        "took_ms": _ms(took),
        "u95_ms": _ms(u95),
    }


def _together(ends: list[Instant | None]) -> list[LinksTogether]:
    """Spans of links between two known instants with unknown ones between."""
    known = [n for n, at in enumerate(ends) if at is not None]
    found: list[LinksTogether] = []
    for a, b in itertools.pairwise(known):
        begins, stops = ends[a], ends[b]
        if b - a > 1 and begins is not None and stops is not None:
            found.append({"links": list(LINKS[a:b]), **_span(begins, stops)})
    last = ends[known[-1]]
    if known[-1] < len(LINKS) and last is not None:
        found.append({
            "links": list(LINKS[known[-1] :]), "from_ms": _ms(last.t_ms), "to_ms": None,
            "took_ms": None, "u95_ms": None,
        })  # fmt: skip
    return found


def _ms(value: float | None) -> float | None:
    return None if value is None else round(value, 6)
