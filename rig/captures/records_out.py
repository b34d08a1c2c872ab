# SPDX-License-Identifier: MIT
"""A recording as the records of a run log, in time order: for a capture that is to be kept."""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterable, Iterator

from rig.core.recording import Recording
from rig.core.records import GOOD, Command, Edge, Level, Record, Sample

BAD = "bad"


def records_of(recording: Recording) -> Iterator[Record]:
    """Every record in time order. At one instant the cause comes first, as in a run of the rig:
    levels, steps and commands before the edges and readings that they cause."""
    parts: list[Iterable[tuple[int, int, Record]]] = [
        [(c.t_ns, 0, c) for c in recording.conditions],
        [(s.t_ns, 1, s) for s in recording.steps],
    ]
    for line, levels in recording.levels.items():
        pairs = zip(levels.t_ns.tolist(), levels.level.tolist(), strict=True)
        parts.append([(t, 1, Level(line, level, t)) for t, level in pairs])
    commands = recording.commands
    columns = (commands.on, commands.t_ns, commands.done_ns, commands.stroke)
    parts.append(
        [
            (t, 2, Command(bool(on), t, done, stroke))
            for on, t, done, stroke in zip(*(column.tolist() for column in columns), strict=True)
        ]
    )
    for line, edges in recording.edges.items():
        columns_of = (edges.level, edges.t_ns, edges.sequence)
        parts.append(
            [
                (t, 3, Edge(line, level, t, number, recording.source))
                for level, t, number in zip(*(c.tolist() for c in columns_of), strict=True)
            ]
        )
    for channel, samples in recording.samples.items():
        triples = zip(
            samples.value.tolist(), samples.t_ns.tolist(), samples.good.tolist(), strict=True
        )
        parts.append(
            [
                (t, 4, Sample(channel, None if math.isnan(value) else value, t,
                              GOOD if good else BAD))
                for value, t, good in triples
            ]
        )  # fmt: skip
    sorted_parts = (sorted(part, key=lambda item: item[:2]) for part in parts)
    for _, _, record in heapq.merge(*sorted_parts, key=lambda item: item[:2]):
        yield record
