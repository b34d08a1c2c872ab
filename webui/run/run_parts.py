# SPDX-License-Identifier: MIT
"""Parts of one run's page computed from its result: histograms, remarks, columns."""

from __future__ import annotations

import itertools
from typing import NamedTuple

from rig.core.figures import Column, Figure, figures_of, stroke_columns
from rig.core.results.run import Result, bounds_of, figure_of
from rig.text import behaviour
from webui.api.models import ChartLimits
from webui.charts import drawing


class Spread(NamedTuple):
    """A histogram with its heading."""

    name: str
    tone: str
    histogram: drawing.Histogram


def columns(result: Result | None) -> list[Column]:
    """The first column, and those with a number somewhere in the run: an empty one wastes space."""
    strokes = result["strokes"] if result else ()
    first, *others = itertools.chain(*stroke_columns())
    return [first, *(c for c in others if any(figure_of(s, c.key) is not None for s in strokes))]


def empty_words(result: Result | None) -> str:
    """Why the pressure at the switch's change is missing everywhere; empty if it is not."""
    if not result or any(c.key == "at_switch_on_kpa" for c in columns(result)):
        return ""
    if not any(one["pressure"] and one["pressure"]["note"] for one in result["strokes"]):
        return ""
    return (
        "No pressure at the switch's change: the gauge is too slow for it, its readings lie on "
        "either side."
    )


def remarks(result: Result | None) -> list[str]:
    """The run's behaviour, in the sentences of `rig show`."""
    if not result or result["kind"] != "strokes":
        return []
    return behaviour.sentences(result)


def limits(result: Result | None, figure: Figure) -> list[tuple[float, str]]:
    """The sheet's limits for each figure of single strokes, with their words."""
    return [
        (end, f"limit: {word} {end:g} {figure.unit}")
        for limit in (result["verdict"]["limits"] if result else ())
        if limit["figure"] == figure.name and limit["of"] == "each"
        for end, word in bounds_of(limit)
    ]


def spreads(result: Result | None) -> list[Spread]:
    """A histogram of each time; none with fewer than five strokes that have a number."""
    if not result or result["kind"] != "strokes":
        return []
    found = []
    for key, figure in figures_of("strokes").items():
        known = [v for s in result["strokes"] if (v := figure_of(s, key)) is not None]
        drawn = drawing.histogram(known, limits(result, figure))
        if drawn is not None:
            found.append(Spread(figure.title, figure.trace, drawn))
    return found


def chart(result: Result | None, key: str) -> ChartLimits | None:
    """Centre, control limits and broken rules of one time, with the sheet's limits."""
    found = result["charts"].get(key) if result else None
    if found is None:
        return None
    return {
        "center": found["center"],
        "lcl": found["lcl"],
        "ucl": found["ucl"],
        "signals": found["signals"],
        "limits": [value for value, _ in limits(result, figures_of("strokes")[key])],
    }


def odd_strokes(result: Result | None) -> list[int]:
    """Strokes always listed by name: missed ones, outliers, or a first stroke that stands out."""
    if not result:
        return []
    odd = {one["number"] for one in result["strokes"] if one["missed"]}
    for key in figures_of("strokes"):
        flagged, first = result["outliers"].get(key), result["first_stroke"].get(key)
        if flagged and flagged["fences"]:
            odd |= set(flagged["fences"]["far_strokes"])
        if first and first["stands_out"]:
            odd.add(1)
    return sorted(odd)
