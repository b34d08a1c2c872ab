# SPDX-License-Identifier: MIT
"""The progress display's stroke is the stroke of the analysis afterwards."""

from __future__ import annotations

import random

import pytest
from stroke_trains import Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.analysis.measure import marks
from rig.core.records import Edge, Level, Sample
from rig.results.live_stroke import LiveStrokes
from rig.results.run_json import run_json


def train_of(count: int, *, closed_on: bool) -> Train:
    chance = random.Random(7)
    train = Train(closed_on=closed_on)
    for number in range(1, count + 1):
        at = 1000.0 * number
        answered = number % 5 != 0
        on = [chance.uniform(40, 60)] if answered else []
        off = [chance.uniform(30, 50)] if answered else []
        if answered and number % 3 == 0:
            on += [on[0] + 1, on[0] + 2.5]
        if number % 7 == 0 and answered:
            off = [498.0]  # not settled before the next command
        train.stroke(number, at, at + 500, live=8, dead=4, on_edges=on, off_edges=off)
    train.end(1000.0 * (count + 2))
    return train


@pytest.mark.parametrize("contact", ["normally open", "normally closed", "find"])
def test_same_strokes_as_afterwards(contact):
    train = train_of(40, closed_on=contact != "normally closed")
    live = LiveStrokes(setup(contact), sheet(strokes=40), "board")
    seen = [row for record in train._records if (row := live.put(record)) is not None]
    afterwards = run_json(analyse(train.build(), setup(contact), sheet(strokes=40)))
    assert seen == afterwards["strokes"]
    assert live.last == seen[-1]
    assert live.done == 40
    assert live.missed == afterwards["counts"]["missed"] == 8


def test_a_lost_edge_between_two_strokes_is_seen():
    train = Train()
    train.stroke(1, 1000, 1500, live=8, dead=4, on_edges=[50], off_edges=[40])
    train._sequence["switch"] += 3
    train.stroke(2, 2000, 2500, live=8, dead=4, on_edges=[50], off_edges=[40])
    train.end(3000)
    live = LiveStrokes(setup(), sheet(strokes=2), "board")
    seen = [row for record in train._records if (row := live.put(record)) is not None]
    assert marks.EDGES_LOST in seen[1]["marks"]
    assert live.doubtful == 1


def test_keeps_only_the_current_stroke():
    live = LiveStrokes(setup(), sheet(strokes=2), "board")
    live.put(Level("switch", 1, 0))
    for n in range(10_000):
        live.put(Sample("pressure", 1.0, n, "good"))
        live.put(Edge("switch", n % 2, n, n + 1, "kernel"))
    assert live._builder.build().edges == {}
    assert live.last is None
