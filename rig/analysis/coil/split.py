# SPDX-License-Identifier: MIT
"""Which parts of a response the coil current tells apart, and which only together."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import NamedTuple

from rig.analysis.coil.plunger_timing import StrokeCurrent

PARTS = ("electrical", "mechanical", "hydraulic")
COVERAGE_FACTOR = 2.0
MOST_SHARE = 0.5
"""A part is given alone where its expanded uncertainty is at most this share of it (common
practice, no source)."""


class Piece(NamedTuple):
    """One part of a response, or parts known only together: `names` of PARTS, ms, and the standard
    uncertainty."""

    names: tuple[str, ...]
    ms: float
    u_ms: float


def split(row: StrokeCurrent) -> tuple[Piece, ...]:
    """The response of a stroke in pieces, each with an expanded uncertainty of at most half of it;
    the parts of a piece with more are joined with their neighbour. Empty without a movement or
    without an answer."""
    parts = (row.electrical_ms, row.mechanical_ms, row.hydraulic_ms)
    if not all(map(math.isfinite, parts)):
        return ()
    cuts = [1, 2]
    while True:
        pieces = _pieces(row, parts, cuts)
        bad = [piece for piece in pieces if not clear(piece.ms, piece.u_ms)]
        if not bad or not cuts:
            return pieces
        at = PARTS.index(bad[0].names[0]), PARTS.index(bad[0].names[-1]) + 1
        beside = [cut for cut in cuts if cut in at]
        # of the two instants beside it, the less certain one
        cuts.remove(max(beside, key=lambda cut: _u_cut(row, cut)))


def clear(ms: float, u_ms: float) -> bool:
    """Whether a time can be given alone: its expanded uncertainty is at most half of it."""
    return COVERAGE_FACTOR * u_ms <= MOST_SHARE * ms


def _u_cut(row: StrokeCurrent, cut: int) -> float:
    """Of the plunger leaving (1) or landing (2)."""
    u = row.u_electrical_ms if cut == 1 else row.u_seated_ms
    return u if math.isfinite(u) else math.inf


def _pieces(row: StrokeCurrent, parts: Sequence[float], cuts: Sequence[int]) -> tuple[Piece, ...]:
    alone = (row.u_electrical_ms, row.u_mechanical_ms, row.u_hydraulic_ms)
    edges = [0, *cuts, len(PARTS)]
    found = []
    for first, last in itertools.pairwise(edges):
        if last - first == 1:
            u = alone[first]
        elif last - first == len(PARTS):
            u = 0.0  # the response itself; its uncertainty is in its own budget
        else:
            u = _u_cut(row, last if first == 0 else first)
        found.append(Piece(PARTS[first:last], math.fsum(parts[first:last]), u))
    return tuple(found)


def of_run(rows: Sequence[StrokeCurrent]) -> list[list[Piece]]:
    """The pieces of a run, each with its value in every stroke that can be split this way: split at
    plunger leaving and landing where that is possible in at least half of the strokes with a
    movement. Empty without a movement."""
    cuts = {n: cuts_of(pieces) for n, row in enumerate(rows) if (pieces := split(row))}
    if not cuts:
        return []
    kept = {cut for cut in (1, 2) if 2 * sum(cut in one for one in cuts.values()) >= len(cuts)}
    able = [rows[n] for n, one in cuts.items() if kept <= one]
    if not able:  # either instant in half of the strokes, and never both in one
        kept, able = set(), [rows[n] for n in cuts]
    columns = [
        _pieces(row, (row.electrical_ms, row.mechanical_ms, row.hydraulic_ms), sorted(kept))
        for row in able
    ]
    return [list(column) for column in zip(*columns, strict=True)]


def cuts_of(pieces: Sequence[Piece]) -> set[int]:
    """Where the response is split: 1 at the plunger leaving, 2 at its landing."""
    return {PARTS.index(piece.names[0]) for piece in pieces} - {0}
