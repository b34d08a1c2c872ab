# SPDX-License-Identifier: MIT
"""How the parts of the cut-away drawing move through one half of a stroke, and what is known of it.

A part is measured if an instrument shows that part itself; inferred if only the measured instants
before and after it bound when it moved; otherwise it is not measured, and stands still. Positions
go from 0 (not energised) to 1. The drawing follows the same instants as the chain's boxes.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Literal, NamedTuple, cast

from webui.api.models import Traces
from webui.api.models_lesson import DrawnPart
from webui.charts.chain_links import Instant, Instants, Way, separable

Known = Literal["measured", "inferred", "not measured"]

PARTS = ("relay", "coil", "plunger", "spool", "passage", "switch", "drain")


class Stretch(NamedTuple):
    """A part's move from one position to another, from `from_ms` (None: the beginning) to `to_ms`
    (None: the end)."""

    from_ms: float | None
    to_ms: float | None
    from_at: float
    to_at: float
    known: Known
    words: str


class Part(NamedTuple):
    """`follows`: the trace lane or channel that shows the part from moment to moment."""

    name: str
    known: Known
    follows: str | None
    seen_by: str
    stretches: tuple[Stretch, ...]


PLUNGER = {"on": ("at rest", "moving", "at its stop"), "off": ("at its stop", "moving", "back")}
SPOOL = {"on": ("at rest", "moving", "open"), "off": ("open", "moving", "back")}


def parts(
    found: Instants, way: Way, *, lanes: Collection[str], channels: Collection[str]
) -> list[Part]:
    """Motion of each of PARTS. `lanes` and `channels` are those recorded in this stroke."""
    ends = Instants(*separable(found)[1:])
    return [
        _followed("relay", "readback" if "readback" in lanes else None, "coil read-back"),
        _followed("coil", "coil_current" if "coil_current" in channels else None, "coil current"),
        _plunger(found, ends, way),
        _spool(ends, way),
        _followed(
            "passage",
            "pressure" if found.moves and "pressure" in channels else None,
            "pressure behind the valve",
        ),
        _followed("switch", "switch" if "switch" in lanes else None, "switch contact"),
        Part("drain", "not measured", None, "", ()),
    ]


def _followed(name: str, follows: str | None, seen_by: str) -> Part:
    if follows is None:
        return Part(name, "not measured", None, "", ())
    return Part(name, "measured", follows, seen_by, ())


def _plunger(found: Instants, ends: Instants, way: Way) -> Part:
    """The current shows where the plunger landed, and where it left its stop if that can be told
    apart; nothing shows where it is in between."""
    if found.seated is None:
        return Part("plunger", "not measured", None, "", ())
    left = ends.leaves or found.live
    course = _course(left, found.seated, way, PLUNGER[way])
    sure: dict[int, Known] = {2: "measured"}
    if ends.leaves is not None:
        sure[0] = "measured"
    shown = tuple(one._replace(known=sure.get(n, "inferred")) for n, one in enumerate(course))
    return Part("plunger", "measured", None, "the dip in the coil's current", shown)


def _spool(ends: Instants, way: Way) -> Part:
    """No sensor sees it: it moved after the plunger landed and before the pressure did."""
    if ends.seated is None or ends.moves is None:
        return Part("spool", "not measured", None, "", ())
    course = _course(ends.seated, ends.moves, way, SPOOL[way])
    return Part("spool", "inferred", None, "between the dip and the pressure", course)


def _course(
    left: Instant | None, landed: Instant, way: Way, words: tuple[str, str, str]
) -> tuple[Stretch, Stretch, Stretch]:
    begin, end = (0.0, 1.0) if way == "on" else (1.0, 0.0)
    left_ms = 0.0 if left is None else round(left.t_ms, 6)
    landed_ms = round(landed.t_ms, 6)
    return (
        Stretch(None, left_ms, begin, begin, "inferred", words[0]),
        Stretch(left_ms, landed_ms, begin, end, "inferred", words[1]),
        Stretch(landed_ms, None, end, end, "inferred", words[2]),
    )


def drawn(found: Instants, way: Way, traces: Traces) -> list[DrawnPart]:
    """The same as JSON, from the traces shown beside it on the page."""
    lanes = {lane["name"] for lane in traces["lanes"]}
    channels = {
        channel["name"]
        for channel in traces["channels"]
        if sum(value is not None for value in channel["value"]) > 1
    }
    return [
        cast("DrawnPart", {**part._asdict(), "stretches": [s._asdict() for s in part.stretches]})
        for part in parts(found, way, lanes=lanes, channels=channels)
    ]
