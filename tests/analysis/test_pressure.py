# SPDX-License-Identifier: MIT
"""The pressure at the switch's change: given only where the readings beside it can know it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from stroke_trains import Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.analysis.measure import marks
from rig.analysis.measure.pressure_at import (
    alike_kpa,
    line_characters,
    pressure_at,
    pressure_of,
    reading_age_s,
    swing_kpa,
)
from rig.core.recording import SampleSeries
from rig.results.run_json import stroke_json

LOW, HIGH = 60.0, 300.0


def true_kpa(ms: float) -> float:
    """60 kPa at rest; a straight rise from 20 to 80 ms after 1000, a fall from 10 to 60 after
    1500."""
    rise = np.clip((ms - 1020) / 60, 0, 1)
    fall = np.clip((ms - 1510) / 50, 0, 1)
    return LOW + (HIGH - LOW) * float(rise - fall)


def measured(period: float, *, bad: tuple[float, float] | None = None, first: float = 0.3):
    """A stroke whose switch goes on at 1050 and off at 1540, with a reading every `period` ms."""
    train = Train("capture")
    train.stroke(1, 1000, 1500, live=0, dead=0, on_edges=[50], off_edges=[40])
    at = first
    while at < 2000:
        lost = bad is not None and bad[0] <= at < bad[1]
        train.sample(at, None if lost else true_kpa(at), "garbage" if lost else "good")
        at += period
    train.end(2000)
    result = analyse(train.build(), setup(), sheet())
    return stroke_json(result.strokes, 0)


def test_fast_readings_know_it():
    stroke = measured(1.0)
    assert stroke["at_switch_on_kpa"] == pytest.approx(180.0, abs=1e-3)
    assert stroke["at_switch_off_kpa"] == pytest.approx(156.0, abs=1e-3)
    assert stroke["marks"] == []


@pytest.mark.parametrize("period", [30.0, 100.0, 250.0])
def test_a_slow_gauge_cannot_know(period):
    stroke = measured(period)
    assert stroke["at_switch_on_kpa"] is stroke["at_switch_off_kpa"] is None
    assert stroke["marks"] == [marks.PRESSURE_ON_SLOW, marks.PRESSURE_OFF_SLOW]
    assert stroke["response_ms"] == 50


def test_a_bad_reading_beside_the_change():
    stroke = measured(1.0, bad=(1049, 1051))
    assert stroke["at_switch_on_kpa"] is None
    assert stroke["at_switch_off_kpa"] is not None
    assert stroke["marks"] == [marks.PRESSURE_ON_BAD]


def test_without_a_gauge_there_is_no_number_and_no_mark():
    train = Train()
    train.stroke(1, 1000, 1500, live=0, dead=0, on_edges=[50], off_edges=[40])
    train.end(2000)
    stroke = stroke_json(analyse(train.build(), setup(), sheet()).strokes, 0)
    assert stroke["at_switch_on_kpa"] is None
    assert stroke["marks"] == []


def test_a_gauge_that_smooths_shows_no_step_and_is_still_too_slow():
    """Readings 40 ms apart around a change 50 ms after the coil: alike, and yet not knowing."""
    train = Train("capture")
    train.stroke(1, 1000, 1500, live=0, dead=0, on_edges=[50], off_edges=[40])
    for at in range(0, 2000, 40):
        train.sample(at + 25, 60 + (at > 1300) * 240)
    train.end(2000)
    stroke = stroke_json(analyse(train.build(), setup(), sheet()).strokes, 0)
    assert stroke["at_switch_on_kpa"] is None
    assert marks.PRESSURE_ON_SLOW in stroke["marks"]


def test_a_reading_at_the_very_instant_needs_no_neighbour():
    train = Train("capture")
    train.stroke(1, 1000, 1500, live=0, dead=0, on_edges=[50], off_edges=[40])
    for at, kpa in ((0, 60), (1050, 171), (1400, 300), (1540, 150), (1900, 60)):
        train.sample(at, kpa)
    train.end(2000)
    stroke = stroke_json(analyse(train.build(), setup(), sheet()).strokes, 0)
    assert (stroke["at_switch_on_kpa"], stroke["at_switch_off_kpa"]) == (171, 150)


def test_no_readings_on_one_side():
    train = Train("capture")
    train.stroke(1, 1000, 1500, live=0, dead=0, on_edges=[50], off_edges=[40])
    for at in range(1060, 1500):
        train.sample(at, 300)
    train.end(2000)
    stroke = stroke_json(analyse(train.build(), setup(), sheet()).strokes, 0)
    assert stroke["marks"] == [marks.PRESSURE_ON_BAD, marks.PRESSURE_OFF_BAD]


@pytest.mark.parametrize(
    ("pattern", "sent"),
    [
        ("{STX}P {pressure} {unit}{ETX}", b"\x02P 241.3 kPa\x03"),
        ("{SOH}1{STX}{pressure}{ETX}{bcc}", b"\x011\x02241.3\x03\x2a"),
        ("{STX}{pressure} {unit}", b"\x02241.3 kPa\r\n"),
    ],
)
def test_marks_are_one_character_each_on_the_wire(pattern, sent):
    assert line_characters(setup(gauge={"pattern": pattern}).gauge) == len(sent)


def test_the_age_of_a_reading_is_taken_off_once_and_not_of_a_capture():
    """9600 baud, 8N1: 10 bits a character (asynchronous framing), 7 characters "000.0" + CR LF."""
    rig = setup(gauge={"latency": "30 ms", "baud": 9600})
    assert reading_age_s(rig.gauge) == pytest.approx(0.030 + 70 / 9600)
    parity = setup(gauge={"parity": "even", "stopbits": 2, "pattern": "{*} {pressure} {unit}"})
    assert reading_age_s(parity.gauge) == pytest.approx((1 + 5 + 1 + 3 + 2) * 12 / 9600)
    for source, expected in (("board", round(1e9 - 0.030e9 - 70 / 9600 * 1e9)), ("capture", 10**9)):
        train = Train(source)
        train.sample(1000, 50.0)
        assert pressure_of(train.build(), rig).t_ns.tolist() == [expected]


def test_alike_readings():
    assert alike_kpa(setup(gauge={})) == 2.0
    assert alike_kpa(setup(gauge={"accuracy": None})) == 5.0  # half a percent of 1000 kPa
    assert alike_kpa(setup()) == alike_kpa(None) == 0.0


def series(rows) -> SampleSeries:
    t, v, good = zip(*rows, strict=True)
    return SampleSeries(np.array(t, np.int64), np.array(v, float), np.array(good, bool))


@given(
    times=st.lists(st.integers(0, 1000), min_size=1, max_size=60, unique=True).map(sorted),
    values=st.lists(st.floats(-100, 100), min_size=60, max_size=60),
    good=st.lists(st.booleans(), min_size=60, max_size=60),
    wanted=st.lists(st.integers(-10, 1010), min_size=1, max_size=20),
)
def test_against_plain_loops_and_numpy_interpolation(times, values, good, wanted):
    rows = list(zip(times, values, good, strict=False))
    samples = series(rows)
    swing = np.full(len(wanted), 50.0)
    found = pressure_at(
        samples, np.array(wanted, np.int64), swing, 0.2, 1.0, np.full(len(wanted), 30, np.int64)
    )
    for place, t in enumerate(wanted):
        exact = [row for row in rows if row[0] == t]
        before = [row for row in rows if row[0] < t][-1:]
        after = [row for row in rows if row[0] > t][:1]
        near = exact * 2 if exact else before + after
        bad = len(near) < 2 or not (near[0][2] and near[1][2])
        assert found.bad[place] == bad
        if bad:
            assert math.isnan(found.value[place])
            continue
        known = abs(near[1][1] - near[0][1]) <= 10.0 and near[1][0] - near[0][0] <= 30
        assert found.slow[place] == (not known)
        if known:
            pair = {row[0]: row[1] for row in near}
            line = np.interp(t, sorted(pair), [pair[k] for k in sorted(pair)])
            assert found.value[place] == pytest.approx(float(line), abs=1e-9)


@given(
    times=st.lists(st.integers(0, 200), max_size=40).map(sorted),
    values=st.lists(st.floats(-100, 100), min_size=40, max_size=40),
    bounds=st.lists(st.integers(0, 210), min_size=2, max_size=10).map(sorted),
)
def test_swing_against_plain_loops(times, values, bounds):
    rows = [(t, v, n % 4 != 0) for n, (t, v) in enumerate(zip(times, values, strict=False))]
    if not rows:
        return
    starts, ends = np.array(bounds[:-1], np.int64), np.array(bounds[1:], np.int64)
    found = swing_kpa(series(rows), starts, ends)
    good = [row for row in rows if row[2]]
    for place, (start, end) in enumerate(zip(starts, ends, strict=True)):
        inside = [v for t, v, _ in good if start <= t < end]
        before = [v for t, v, _ in good if t < start][-1:]
        inside += before
        if not inside:
            inside = [good[0][1]] if good else [0.0]
        assert found[place] == pytest.approx(max(inside) - min(inside), abs=1e-9)
