# SPDX-License-Identifier: MIT
"""Bounce lengths, chatter and pressures at the switch's changes over a run."""

from __future__ import annotations

import pytest
from stroke_trains import Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.results.run_json import run_json


def switch_of(strokes, *, rig=None, pressure=None):
    train = Train()
    at = 0.0
    for number, (on, off) in enumerate(strokes, 1):
        at = 1000.0 * number
        train.stroke(number, at, at + 500, live=8, dead=4, on_edges=on, off_edges=off)
    if pressure is not None:
        for ms in range(int(at) + 1500):
            train.sample(float(ms), pressure(ms))
    train.end(at + 1500)
    result = analyse(train.build(), rig or setup(), sheet(strokes=len(strokes)))
    return run_json(result)["switch"]


def test_bounce_lengths_and_their_classes():
    bounces = [0.0, 0.15, 0.4, 1.6, 12.0]
    strokes = [
        ([58.0] if not length else [58.0, 58.0 + length / 2, 58.0 + length], [34.0])
        for length in bounces
    ]
    found = switch_of(strokes)
    on = found["bounce_on"]
    assert (on["n"], on["clean"], on["edges_max"]) == (5, 1, 2)
    assert on["mean_ms"] == pytest.approx(sum(bounces) / 5)
    assert on["median_ms"] == pytest.approx(0.4)
    assert on["max_ms"] == pytest.approx(12.0)
    by_class = dict(zip([*on["up_to_ms"], "above"], on["counts"], strict=True))
    assert by_class == {
        0.1: 0, 0.2: 1, 0.5: 1, 1.0: 0, 2.0: 1, 5.0: 0, 10.0: 0, 20.0: 1, "above": 0,
    }  # fmt: skip
    assert found["bounce_off"]["clean"] == 5
    assert found["chatter"] == {"strokes": 0, "edges": 0, "of": 5}


def test_chatter_is_more_than_bounce():
    steady = ([58.0], [34.0])
    fell_back = ([58.0, 100.0, 150.0], [34.0])  # off for 50 ms, longer than the settle window
    later = ([58.0, 300.0, 301.0], [34.0])  # settled, then a flicker
    found = switch_of([steady, fell_back, later])
    assert found["chatter"]["strokes"] == 2
    assert found["chatter"]["edges"] >= 2


def test_no_answer_gives_no_bounce():
    found = switch_of([([], [])])
    assert found["bounce_on"]["n"] == 0
    assert found["bounce_on"]["mean_ms"] is None


def test_pressures_at_the_changes_where_the_gauge_is_fast():
    def ramping(ms):
        x = ms % 1000
        return 2.0 * min(max(x - 20, 0), 150) if x < 520 else max(300.0 - 2.0 * (x - 520), 0.0)

    rig = setup(gauge={"period": "1 ms", "baud": 4000000})
    found = switch_of([([90.0], [80.0])] * 3, rig=rig, pressure=ramping)["in_strokes_kpa"]
    assert found["on"]["n"] == found["off"]["n"] == found["differential"]["n"] == 3
    assert found["on"]["mean"] == pytest.approx(140, abs=0.2)
    assert found["off"]["mean"] == pytest.approx(180, abs=0.2)
    assert found["differential"]["mean"] == pytest.approx(-40, abs=0.3)
