# SPDX-License-Identifier: MIT
"""Rise and fall of the pressure in strokes: a first-order rise of known dead time and time
constant, read by gauges that are fast, slow, late and uneven."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stroke_trains import Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.analysis.measure.pressure_at import reading_age_s
from rig.analysis.measure.pressure_rise_fall import (
    FALLS,
    NO_CHANGE,
    NO_READINGS,
    NOT_HELD,
    SLOW_RISE,
)
from rig.results.run_json import dumps, run_json

DEAD, TAU, TAU_OFF = 10.0, 20.0, 30.0
LIVE, OFF = 8.0, 4.0
LOW, HIGH = 100.0, 300.0
STROKES = 4


def true_kpa(ms: float, low: float = LOW, high: float = HIGH) -> float:
    number = int(ms // 1000)
    x = ms - 1000 * number
    if not 1 <= number <= STROKES:
        return low
    if x < 500 + OFF:
        return low + (high - low) * (1 - math.exp(-max(x - LIVE - DEAD, 0) / TAU))
    return low + (high - low) * math.exp(-(x - 500 - OFF - DEAD) / TAU_OFF) if (
        x > 500 + OFF + DEAD
    ) else high  # fmt: skip


def strokes(period: float, *, late: float = 0.0, jitter: float = 0.0, pressure=true_kpa, rig=None):
    """The pressures of a run read every `period` ms; a reading arrives `late` ms after its time."""
    rng = np.random.default_rng(5)
    train = Train()
    for number in range(1, STROKES + 1):
        at = 1000 * number
        train.stroke(number, at, at + 500, live=LIVE, dead=OFF, on_edges=[60], off_edges=[45])
    at = 0.3
    while at < 1000 * STROKES + 1200:
        kpa = pressure(at)
        train.sample(at + late, kpa, "good" if kpa is not None else "garbage")
        at += period * (1 + jitter * rng.uniform(-1, 1))
    train.end(1000 * STROKES + 1500)
    gauge = {"period": f"{period} ms", "accuracy": "0.5 kPa", "baud": 115200, "latency": "0 ms"}
    result = analyse(train.build(), rig or setup(gauge=gauge), sheet(strokes=STROKES))
    return run_json(result)["strokes"], result


GAUGE = setup(gauge={"period": "1 ms", "accuracy": "0.5 kPa", "baud": 9600, "latency": "3 ms"})
EXACT = {
    "low_kpa": LOW,
    "high_kpa": HIGH,
    "rise_ms": TAU * math.log(9),
    "fall_ms": TAU_OFF * math.log(9),
    "delay_10_ms": DEAD + TAU * math.log(10 / 9),
    "delay_50_ms": DEAD + TAU * math.log(2),
    "delay_90_ms": DEAD + TAU * math.log(10),
    "fall_delay_10_ms": DEAD + TAU_OFF * math.log(10 / 9),
    "fall_delay_50_ms": DEAD + TAU_OFF * math.log(2),
    "fall_delay_90_ms": DEAD + TAU_OFF * math.log(10),
    "settling_ms": TAU * math.log(25),
    "fall_settling_ms": TAU_OFF * math.log(25),
    "overshoot_pct": 0.0,
    "undershoot_pct": 0.0,
}


@pytest.mark.parametrize("period", [1.0, 5.0])
def test_a_fast_gauge_reads_the_closed_form_within_its_stated_uncertainty(period):
    found, _ = strokes(period, late=1e3 * reading_age_s(setup(gauge={"baud": 115200}).gauge))
    for stroke in found[1:]:
        pressure = stroke["pressure"]
        for name, exact in EXACT.items():
            within = 0.1 if name.endswith(("kpa", "pct")) else 2 * pressure["u_delay_ms"]
            assert pressure[name] == pytest.approx(exact, abs=within), name
        assert pressure["note"] == ""
        assert pressure["bounds"] == {}
        assert pressure["u_delay_ms"] < period


def test_the_age_of_a_reading_is_taken_off_once_and_carried_as_uncertainty():
    age_ms = 1e3 * reading_age_s(GAUGE.gauge)
    assert age_ms == pytest.approx(3 + 7 * 10 / 9.6, abs=1e-9)  # 7 characters of 10 bits
    found, _ = strokes(1.0, late=age_ms, rig=GAUGE)
    pressure = found[1]["pressure"]
    assert pressure["delay_50_ms"] == pytest.approx(EXACT["delay_50_ms"], abs=0.1)
    # half widths: half the latency and 3 characters, rectangular
    own = math.hypot(1.5, 3 * 10 / 9.6) / math.sqrt(3)
    assert pressure["u_delay_ms"] == pytest.approx(own, rel=0.02)


def test_a_latency_that_nobody_stated_is_a_range_and_not_0():
    gauge = {"period": "5 ms", "accuracy": "0.5 kPa", "baud": 115200}
    found, _ = strokes(1.0, rig=setup(gauge=gauge))
    # from 0 to one period about 0 (JCGM 100, F.2.4.5), and 3 characters either way
    own = math.hypot(5, 3 * 10 / 115.2) / math.sqrt(3)
    assert found[1]["pressure"]["u_delay_ms"] == pytest.approx(own, rel=0.02)


def test_uneven_sampling():
    found, _ = strokes(
        4.0, jitter=0.9, late=1e3 * reading_age_s(setup(gauge={"baud": 115200}).gauge)
    )
    for stroke in found[1:]:
        assert stroke["pressure"]["rise_ms"] == pytest.approx(EXACT["rise_ms"], abs=2.5)


@pytest.mark.parametrize("period", [20.0, 37.0, 100.0, 190.0])
def test_a_slow_gauge_gives_bounds_that_hold_and_no_numbers(period):
    found, _ = strokes(period, late=1e3 * reading_age_s(setup(gauge={"baud": 115200}).gauge))
    numbers = 0
    for stroke in found[1:]:
        pressure = stroke["pressure"]
        for name, exact in EXACT.items():
            if not name.endswith("_ms") or "settling" in name:
                continue
            if pressure[name] is not None:
                numbers += 1
                assert pressure[name] == pytest.approx(exact, abs=period / 2), name
            elif name in pressure["bounds"]:
                least, most = pressure["bounds"][name]
                assert least - 1 <= exact <= most + 1, name
        if period >= 100:
            assert pressure["rise_ms"] is None
            assert "gauge too slow for the rise" in pressure["note"]
            assert pressure["bounds"]["delay_50_ms"][1] < period + LIVE + 2
    assert (numbers > 0) == (period < 30)


def test_overshoot_is_told_by_state_amplitude():
    def ringing(ms):
        x = ms % 1000 - LIVE
        value = true_kpa(ms)
        return value + 40 * math.exp(-(((x - 120) / 15) ** 2)) if 1000 < ms < 5000 else value

    found, _ = strokes(1.0, pressure=ringing)
    assert found[1]["pressure"]["overshoot_pct"] == pytest.approx(20, abs=1.0)
    assert found[1]["pressure"]["undershoot_pct"] == pytest.approx(0, abs=0.2)


def test_pressure_that_does_not_follow_or_falls_or_is_not_read():
    flat, _ = strokes(2.0, pressure=lambda ms: 250.0 + 0.2 * (ms % 7 > 3))
    assert {stroke["pressure"]["note"] for stroke in flat} == {NO_CHANGE}
    assert flat[0]["pressure"]["rise_ms"] is None
    upstream, _ = strokes(1.0, pressure=lambda ms: 600 - true_kpa(ms))
    assert FALLS in upstream[1]["pressure"]["note"]
    assert upstream[1]["pressure"]["delay_50_ms"] == pytest.approx(EXACT["delay_50_ms"], abs=1.2)
    gone, _ = strokes(1.0, pressure=lambda ms: true_kpa(ms) if ms < 2500 else None)
    assert gone[3]["pressure"]["note"] == NO_READINGS
    assert gone[0]["pressure"]["note"] == ""


def test_a_reading_gap_in_the_rise_is_said():
    def gap(ms):
        x = ms % 1000
        return None if LIVE + DEAD + 1 < x < 120 else true_kpa(ms)

    found, _ = strokes(1.0, pressure=gap)
    assert SLOW_RISE in found[1]["pressure"]["note"]
    assert found[1]["pressure"]["delay_90_ms"] is None


def test_a_state_that_is_not_held_has_no_settling_time():
    def drops(ms):
        return true_kpa(ms) - (30 if 490 < ms % 1000 < 502 + OFF and 1000 < ms < 5000 else 0)

    found, _ = strokes(1.0, pressure=drops)
    assert found[1]["pressure"]["settling_ms"] is None
    assert NOT_HELD in found[1]["pressure"]["note"]


def test_without_a_gauge_there_is_nothing():
    train = Train()
    train.stroke(1, 1000, 1500, live=8, dead=4, on_edges=[60], off_edges=[45])
    train.end(2500)
    shape = run_json(analyse(train.build(), setup(), sheet()))
    assert shape["strokes"][0]["pressure"] is None


@settings(max_examples=60)
@given(
    st.lists(
        st.tuples(
            st.floats(0, 6000), st.one_of(st.none(), st.floats(-50, 900)),
            st.sampled_from(["good", "good", "good", "out of range"]),
        ),
        max_size=60,
    ),
    st.integers(0, 4), st.booleans(),
)  # fmt: skip
def test_any_readings_at_all_give_numbers_or_nulls(readings, count, finished):
    """Out of order, at one instant, bad, missing: never an error, never a NaN, and a number never
    beside a bound of the same figure."""
    train = Train()
    for number in range(1, count + 1):
        train.stroke(
            number,
            1000 * number,
            1000 * number + 500,
            live=8,
            dead=4,
            on_edges=[60],
            off_edges=[45],
        )
    for at, kpa, quality in readings:
        train.sample(at, kpa, quality if kpa is not None else "garbage")
    if finished:
        train.end(6500)
    shape = run_json(analyse(train.build(), setup(gauge={}), sheet(strokes=max(count, 1))))
    dumps(shape)  # refuses NaN
    for stroke in shape["strokes"]:
        pressure = stroke["pressure"]
        for name, (least, most) in (pressure or {"bounds": {}})["bounds"].items():
            assert pressure[name] is None
            assert least <= most
