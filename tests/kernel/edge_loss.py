# SPDX-License-Identifier: MIT
"""Compare edges written with edges delivered: which were lost, and which of those are visible."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

Written = tuple[int, int, int]
"""level, then the instants before and after the write"""
Delivered = tuple[int, int, int]
"""level, t_ns, sequence"""


class Loss(NamedTuple):
    """Counts of edges. `lost` were written and not delivered; `gap` of them are told by a jump in
    the sequence numbers, `broken` by two like levels in a row, `hidden` by neither. `misplaced`
    are delivered edges whose stamp lies inside no write."""

    written: int
    delivered: int
    lost: int
    gap: int
    broken: int
    hidden: int
    misplaced: int


def account(written: Sequence[Written], delivered: Sequence[Delivered]) -> Loss:
    """Assign each delivered edge to the write whose instants enclose its stamp, then look how the
    writes in between show. The line starts low and the sequence at 1."""
    misplaced = gap = broken = hidden = lost = 0
    level, sequence, missing = 0, 0, 0
    edges = iter(delivered)
    edge = next(edges, None)
    for _, before, after in written:
        while edge is not None and edge[1] < before:  # inside no write: counted, not assigned
            misplaced += 1
            edge = next(edges, None)
        if edge is None or edge[1] > after:
            missing += 1
            continue
        lost += missing
        jump = edge[2] - sequence - 1
        if missing and jump == missing:
            gap += missing
        elif missing and edge[0] == level:
            broken += missing
        else:
            hidden += missing
        level, sequence, missing = edge[0], edge[2], 0
        edge = next(edges, None)
    while edge is not None:
        misplaced += 1
        edge = next(edges, None)
    lost, hidden = lost + missing, hidden + missing  # at the very end no later edge can show it
    return Loss(len(written), len(delivered), lost, gap, broken, hidden, misplaced)
