# SPDX-License-Identifier: MIT
"""The chain of one stroke, link by link, with the time each took as far as it was measured.

relay -> coil -> plunger -> oil -> switch. A link is measured only where the recording shows both
its ends; links in a row without an instant between them have one time together.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import Any, Literal, NamedTuple

from rig.core.clock import NS_PER_MS
from webui.charts.strokes import StrokeTimes

Way = Literal["on", "off"]

LINKS = ("relay", "coil", "plunger", "oil", "switch")
HAPPENS = {
    "on": {
        "relay": "its contact closes",
        "coil": "current rises until the plunger lets go",
        "plunger": "it travels to its stop",
        "oil": "pressure builds up at the switch",
        "switch": "its contact settles",
    },
    "off": {
        "relay": "its contact opens",
        "coil": "current falls until the plunger lets go",
        "plunger": "it travels back",
        "oil": "pressure falls at the switch",
        "switch": "its contact settles",
    },
}
SEEN_BY = {
    "relay": "coil read-back",
    "coil": "coil current",
    "plunger": "coil current",
    "oil": "coil current and switch",
    "switch": "switch contact",
}


class Instants(NamedTuple):
    """The ends of the links, ms after the command; None where nothing shows it. `u95_ms` are the
    expanded uncertainties of the links that the coil's current gives."""

    live: float | None
    leaves: float | None
    seated: float | None
    first: float | None
    settled: float | None
    u95_ms: dict[str, float | None]


def instants(times: StrokeTimes, figures: Mapping[str, Any], way: Way) -> Instants | None:
    """Of one stroke: `times` from the recording, `figures` the stroke's result. None where the
    command itself never came."""
    on = way == "on"
    command_ns = times.on_ns if on else times.off_ns
    if command_ns is None:
        return None
    edge_ns = times.live_ns if on else times.dead_ns
    live = None if edge_ns is None else (edge_ns - command_ns) / NS_PER_MS
    current = figures.get("current") or {}
    names = ("electrical_ms", "seated_ms") if on else ("back_leaves_ms", "back_seated_ms")
    leaves, seated = (current.get(name) if live is not None else None for name in names)
    first = figures.get("first_edge_on_ms" if on else "first_edge_off_ms")
    settled = figures.get("response_ms" if on else "release_ms")

    def after(value: float | None) -> float | None:
        return None if value is None else value + (live or 0.0)

    u95 = {"coil": current.get(f"{names[0]}_u95"), "oil": current.get("hydraulic_ms_u95")}
    u95["plunger"] = current.get("mechanical_ms_u95" if on else f"{names[1]}_u95")
    if not on:
        u95["oil"] = current.get(f"{names[1]}_u95")
    return Instants(live, after(leaves), after(seated), after(first), after(settled), u95)


def links(found: Instants, way: Way) -> dict[str, Any]:
    """`links`: each with from, to and what it took, null where it was not measured. `together`:
    the times of links in a row that have one only together. The last one may have no end."""
    ends = [0.0, found.live, found.leaves, found.seated, found.first, found.settled]
    shape = []
    for n, name in enumerate(LINKS):
        begins, stops = ends[n], ends[n + 1]
        measured = begins is not None and stops is not None and stops >= begins
        shape.append(
            {
                "name": name,
                "happens": HAPPENS[way][name],
                "measured": measured,
                "from_ms": _ms(begins) if measured else None,
                "to_ms": _ms(stops) if measured else None,
                "took_ms": _ms(stops - begins)
                if measured and begins is not None and stops is not None
                else None,
                "u95_ms": found.u95_ms.get(name) if measured else None,
                "seen_by": SEEN_BY[name],
            }
        )
    return {"links": shape, "together": _together(ends)}


def _together(ends: list[float | None]) -> list[dict[str, Any]]:
    """Stretches of links between two known instants with unknown ones between."""
    known = [n for n, at in enumerate(ends) if at is not None]
    found = []
    for a, b in itertools.pairwise(known):
        begins, stops = ends[a], ends[b]
        if b - a > 1 and begins is not None and stops is not None:
            found.append(
                {
                    "links": list(LINKS[a:b]),
                    "from_ms": _ms(begins),
                    "to_ms": _ms(stops),
                    "took_ms": _ms(stops - begins),
                }
            )
    if known[-1] < len(LINKS):
        rest = {"links": list(LINKS[known[-1] :]), "from_ms": _ms(ends[known[-1]])}
        found.append(rest | {"to_ms": None, "took_ms": None})
    return found


def _ms(value: float | None) -> float | None:
    return None if value is None else round(value, 6)
