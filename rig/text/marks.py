# SPDX-License-Identifier: MIT
"""The marks of a result: what holds for every stroke is said once, for all of them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from rig.config.sheet.model import KINDS, SheetBase
from rig.core.results.run import Result


class Mark(NamedTuple):
    """One mark: where it applies ("every stroke", "3 of 20 strokes", "run") and its words."""

    where: str
    words: str
    doubtful: bool
    every: bool
    """Whether every stroke or ramp carries it."""


def marks_of(result: Result) -> list[Mark]:
    """All marks, those of the run first, then those of its strokes or ramps."""
    counts: Mapping[str, int] = result["mark_counts"]
    one = KINDS[result["kind"]].one if result["kind"] in KINDS else SheetBase.one
    ramp = result["ramp"]
    of = len(ramp["ramps"]) if ramp else len(result["strokes"])
    found = [
        Mark("run", mark, mark in result["doubtful"], False)
        for mark in result["marks"]
        if mark not in counts
    ]
    for mark, n in counts.items():
        every = n == of > 1
        where = f"every {one}" if every else f"{n} of {of} {one}s" if of else one
        found.append(Mark(where, mark, mark in result["doubtful"], every))
    edges = result["counts"]["unexpected_edges"]
    if edges:
        words = f"{edges} switch edge{'' if edges == 1 else 's'} with no command"
        found.append(Mark("run", words, False, False))
    return found
