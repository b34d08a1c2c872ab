# SPDX-License-Identifier: MIT
"""Parts of one run's page computed from its result: histograms, remarks, columns."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import Any, NamedTuple

from rig.core.figures import Column, Figure, figures_of, stroke_columns
from rig.text import behaviour
from webui.charts import drawing

Result = Mapping[str, Any]


class Spread(NamedTuple):
    """A histogram with its heading."""

    name: str
    tone: str
    histogram: drawing.Histogram


def columns(result: Result | None) -> list[Column]:
    """The first column, and those with a number somewhere in the run: an empty one wastes space."""
    strokes = (result or {}).get("strokes") or ()
    first, *others = itertools.chain(*stroke_columns())
    return [first, *(c for c in others if any(s.get(c.key) is not None for s in strokes))]


def empty_words(result: Result | None) -> str:
    """Why the pressure at the switch's change is missing everywhere; empty if it is not."""
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
    """The run's behaviour, in the sentences of `rig show`."""
    if not result or result.get("kind") != "strokes":
        return []
    return behaviour.sentences(result)


def limits(result: Result | None, figure: Figure) -> list[tuple[float, str]]:
    """The sheet's limits for each figure of single strokes, with their words."""
    found: list[tuple[float, str]] = []
    for limit in ((result or {}).get("verdict") or {}).get("limits") or ():
        if limit["figure"] != figure.name or limit["of"] != "each":
            continue
        for key, word in (("min", "at least"), ("max", "at most")):
            if limit[key] is not None:
                found.append((float(limit[key]), f"limit: {word} {limit[key]:g} {figure.unit}"))
    return found


def spreads(result: Result | None) -> list[Spread]:
    """A histogram of each time; none with fewer than five strokes that have a number."""
    if not result or result.get("kind") != "strokes":
        return []
    found = []
    for key, figure in figures_of("strokes").items():
        known = [s[key] for s in result["strokes"] if s.get(key) is not None]
        drawn = drawing.histogram(known, limits(result, figure))
        if drawn is not None:
            found.append(Spread(figure.title, figure.trace, drawn))
    return found


def chart(result: Result | None, key: str) -> dict[str, Any] | None:
    """Centre, control limits and broken rules of one time, with the sheet's limits."""
    found = ((result or {}).get("charts") or {}).get(key)
    if found is None:
        return None
    return {
        **{name: found[name] for name in ("center", "lcl", "ucl", "signals")},
        "limits": [value for value, _ in limits(result, figures_of("strokes")[key])],
    }


def odd_strokes(result: Result | None) -> list[int]:
    """Strokes always listed by name: missed ones, outliers, or a first stroke that stands out."""
    found = result or {}
    odd = {
        s["number"]
        for s in found.get("strokes") or ()
        if s.get("missed", s.get("answered") is False)
    }
    for key in figures_of("strokes"):
        fences = ((found.get("outliers") or {}).get(key) or {}).get("fences") or {}
        odd |= set(fences.get("far_strokes") or ())
        first = (found.get("first_stroke") or {}).get(key)
        if first and first["stands_out"]:
            odd.add(1)
    return sorted(odd)
