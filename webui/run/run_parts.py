# SPDX-License-Identifier: MIT
"""Parts of one run's page that are worked out of its result: histograms, remarks, columns."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from rig.text import behaviour
from webui.charts import drawing
from webui.run import figures

Result = Mapping[str, Any]
TIMES = ("response_ms", "release_ms")


class Spread(NamedTuple):
    """A histogram with its heading."""

    name: str
    tone: str
    histogram: drawing.Histogram


class Column(NamedTuple):
    """A column of the table of strokes: key in the JSON, heading, label on a phone, digits."""

    key: str
    heading: str
    label: str
    digits: int


COLUMNS = (
    Column("release_ms", "Release", "release", 2),
    Column("first_edge_on_ms", "First edge, on", "first edge, on", 2),
    Column("first_edge_off_ms", "First edge, off", "first edge, off", 2),
    Column("bounce_on", "Bounce, on", "bounce, on", 0),
    Column("bounce_off", "Bounce, off", "bounce, off", 0),
    Column("at_switch_on_kpa", "Pressure at switch-on", "pressure, on", 1),
    Column("at_switch_off_kpa", "Pressure at switch-off", "pressure, off", 1),
)


def columns(result: Result | None) -> list[Column]:
    """Those that hold a number somewhere in the run: an empty one only takes room."""
    strokes = (result or {}).get("strokes") or ()
    return [c for c in COLUMNS if any(s.get(c.key) is not None for s in strokes)]


def empty_words(result: Result | None) -> str:
    """Why the pressure at the switch's change is missing everywhere; empty where it is not."""
    found = result or {}
    if not found.get("strokes") or any(c.key == "at_switch_on_kpa" for c in columns(result)):
        return ""
    if not any((s.get("pressure") or {}).get("note") for s in found["strokes"]):
        return ""
    return (
        "No pressure at the switch's change: the gauge is too slow for it, its readings lie on "
        "either side."
    )


def remarks(result: Result | None) -> list[str]:
    """How the run behaved, in the sentences of `rig show`."""
    if not result or result.get("kind") != "strokes":
        return []
    return behaviour.sentences(result)


def limits(result: Result | None, figure: str) -> list[tuple[float, str]]:
    """The sheet's limits for each single stroke's figure, each with its words."""
    found: list[tuple[float, str]] = []
    for limit in ((result or {}).get("verdict") or {}).get("limits") or ():
        if limit["figure"] != figure.removesuffix("_ms") or limit["of"] != "each":
            continue
        for key, word in (("min", "at least"), ("max", "at most")):
            if limit[key] is not None:
                found.append((float(limit[key]), f"limit: {word} {limit[key]:g} ms"))
    return found


def spreads(result: Result | None) -> list[Spread]:
    """A histogram of each time; none with fewer than five strokes that have a number."""
    found = []
    for key in TIMES if (result or {}).get("kind") == "strokes" else ():
        known = [s[key] for s in (result or {})["strokes"] if s.get(key) is not None]
        drawn = drawing.histogram(known, limits(result, key))
        if drawn is not None:
            meaning = figures.SUMMARISED[key]
            found.append(Spread(meaning.name, meaning.tone, drawn))
    return found


def chart(result: Result | None, key: str) -> dict[str, Any] | None:
    """Centre, control limits and broken rules of one time, with the sheet's limits."""
    found = ((result or {}).get("charts") or {}).get(key)
    if found is None:
        return None
    return {
        **{name: found[name] for name in ("center", "lcl", "ucl", "signals")},
        "limits": [value for value, _ in limits(result, key)],
    }


def odd_strokes(result: Result | None) -> list[int]:
    """Strokes that are named wherever all are shown: missed, far from the others, or a first one
    that stands out."""
    found = result or {}
    odd = {
        s["number"]
        for s in found.get("strokes") or ()
        if s.get("missed", s.get("answered") is False)
    }
    for key in TIMES:
        fences = ((found.get("outliers") or {}).get(key) or {}).get("fences") or {}
        odd |= set(fences.get("far_strokes") or ())
        first = (found.get("first_stroke") or {}).get(key)
        if first and first["stands_out"]:
            odd.add(1)
    return sorted(odd)
