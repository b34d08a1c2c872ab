# SPDX-License-Identifier: MIT
"""The budget of every kind of result: its lines, and what they come to."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from stroke_trains import Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.analysis.measure.gauge_calibration import ZERO
from rig.analysis.measure.instrument_uncertainty import RESOLUTION, scatter_line
from rig.analysis.measure.time_stamps import located
from rig.analysis.stats.uncertainty import Line, budget
from rig.analysis.verdict.budgets import _twice
from rig.core.recording import SampleSeries
from rig.core.records import Step
from rig.results.run_json import dumps, run_json

MS = 1_000_000
RESPONSES = [52.0, 50.0, 51.5, 49.5, 52.5, 50.5, 51.0, 49.0]


def shape_of(*, readback=True, source="board", rig=None, responses=RESPONSES):
    train = Train(source, readback=readback)
    at = 0.0
    for number, response in enumerate(responses, 1):
        at = 1000.0 * number
        train.stroke(
            number, at, at + 500, live=8.125 if readback else None, dead=4 if readback else None,
            on_edges=[response + 8.125], off_edges=[34.0],
        )  # fmt: skip
    train.end(at + 2000)
    page = sheet(strokes=len(responses))
    return run_json(analyse(train.build(), rig or setup(readback=readback), page))


def names(budget):
    return [line["name"] for line in budget["lines"]]


def test_mean_response_with_a_read_back():
    shape = shape_of()
    budget = shape["budget"]["response_ms"]
    assert names(budget) == [
        "repeatability", "time stamp of the switch's edge", "time stamp of the read-back's edge",
        "read-back delay", "bounce definition",
    ]  # fmt: skip
    sem = float(np.std(RESPONSES[1:], ddof=1)) / math.sqrt(7)  # the first one comes after a rest
    instrument = math.sqrt((2 * 0.05**2 + 0.1**2 + 0.02**2) / 3)
    assert budget["u"] == pytest.approx(math.hypot(sem, instrument), abs=1e-6)
    assert budget["lines"][0]["dof"] == 6
    assert budget["dof"] == pytest.approx(6 * (budget["u"] / sem) ** 4, abs=2e-3)
    assert budget["U"] == pytest.approx(budget["k"] * budget["u"], rel=1e-4)
    summary = shape["summary"]["response_ms"]
    assert summary["sem"] == pytest.approx(sem, abs=1e-6)
    low, high = summary["ci95"]
    assert (high - low) / 2 == pytest.approx(2.4469 * sem, rel=1e-4)  # t(6), 97.5 %
    assert summary["interval95"] == pytest.approx(
        [summary["mean"] - summary["U"], summary["mean"] + summary["U"]], abs=2e-6
    )
    assert json.loads(dumps(shape), parse_constant=pytest.fail)["budget"]["response_ms"] == budget


def test_single_response_has_no_repeatability():
    budget = shape_of()["budget"]["single_response_ms"]
    assert "repeatability" not in names(budget)
    assert budget["u"] == pytest.approx(math.sqrt((2 * 0.05**2 + 0.1**2 + 0.02**2) / 3), abs=1e-6)
    assert budget["dof"] is None


def test_without_read_back_the_middle_of_the_relay_delay_is_taken_off_and_the_rest_is_a_line():
    delays = {"operate_delay": "14 ms", "operate_delay_least": "2 ms"}
    shape = shape_of(readback=False, rig=setup(readback=False, **delays))
    budget = shape["budget"]["response_ms"]
    assert budget["correction"] == -8.0
    (relay,) = [line for line in budget["lines"] if line["name"] == "relay delay"]
    assert (relay["value"], relay["distribution"]) == (6.0, "rectangular")
    assert budget["method"] == "JCGM 101"  # a rectangle that dominates is no normal distribution
    mean = shape["summary"]["response_ms"]["mean"]
    low, high = shape["summary"]["response_ms"]["interval95"]
    assert low == pytest.approx(mean - 8 - budget["U"], abs=1e-5)
    assert high == pytest.approx(mean - 8 + budget["U"], abs=1e-5)
    assert 0.95 * 6 < budget["U"] < 6.5
    # a delay that nobody stated: nothing is said
    train = Train("capture", readback=False)
    train.stroke(1, 1000, 1500, on_edges=[50], off_edges=[30])
    assert "response_ms" not in run_json(analyse(train.build(), None, None))["budget"]


def test_one_stroke_has_no_budget_of_a_mean():
    shape = shape_of(responses=[50.0])
    assert "response_ms" not in shape["budget"]
    summary = shape["summary"]["response_ms"]
    assert (summary["sem"], summary["ci95"], summary["u"], summary["interval95"]) == (None,) * 4


def test_an_emulated_board_says_what_its_stamps_are_worth():
    board, emulated = (
        shape_of(source=source)["budget"]["single_response_ms"]["u"]
        for source in ("board", "emulated board")
    )
    assert emulated > 5 * board


@pytest.mark.parametrize(("step_us", "found"), [(1000, 1.0), (100, 0.1), (10, 0.01)])
def test_the_resolution_of_a_capture_is_found_in_its_times(step_us, found):
    rng = np.random.default_rng(2)
    train = Train("capture")
    for number in range(1, 20):
        on, off = (int(x) * step_us / 1000 for x in rng.integers(20_000, 60_000, 2) // step_us)
        train.stroke(number, 1000 * number, 1000 * number + 500, live=8, dead=4,
                     on_edges=[on], off_edges=[off])  # fmt: skip
    how, step_ms = located(train.build())[1]
    assert (how, step_ms) == ("estimated", pytest.approx(found))


def test_ramp_budgets_carry_gauge_and_movement():
    train = Train(readback=False)
    step = train._records.append
    at, speed = 1000.0, 5.0
    for number, (up, down) in enumerate(((151.7, 106.9), (154.4, 108.2), (150.3, 107.6)), 1):
        step(Step("raise", number, round(at * MS)))
        train.edge("switch", True, at + up / speed * 1000)
        train.sample(at, 0.0)
        for ms in np.arange(100, 40_000, 100):
            train.sample(at + ms, round(ms * speed / 1000, 1))
        at += 40_000
        step(Step("lower", number, round(at * MS)))
        train.edge("switch", False, at + (200 - down) / speed * 1000)
        for ms in np.arange(100, 40_000, 100):
            train.sample(at + ms, round(200 - ms * speed / 1000, 1))
        at += 40_000
    train.end(at + 500)
    ramp = {"ramps": 3, "low": "10 kPa", "high": "190 kPa"}
    rig = setup(readback=False, gauge={"accuracy": "2 kPa", "baud": 9600, "latency": "20 ms"})
    shape = run_json(analyse(train.build(), rig, sheet("ramp", **ramp)))
    budget = shape["budget"]["actuation_kpa"]
    by_name = {line["name"]: line for line in budget["lines"]}
    assert by_name["gauge calibration"]["part"] == pytest.approx(2 / math.sqrt(3), rel=1e-6)
    assert by_name["gauge resolution"]["value"] == pytest.approx(0.25, abs=0.21)
    age = by_name["reading's age"]
    assert age["value"] == pytest.approx(10, abs=1e-6)  # half of what is stated
    assert by_name["length of a reading's line"]["value"] == pytest.approx(3 * 10 / 9.6, abs=1e-6)
    assert budget["correction"] == 0.0
    assert abs(age["sensitivity"]) == pytest.approx(0.005, rel=0.02)  # 5 kPa/s
    assert by_name["repeatability"]["dof"] == 2
    # two readings of one gauge 15 kPa apart: their calibrations are alike, what is common cancels
    one = shape["budget"]["single_differential_kpa"]
    low, high = rig.gauge.measuring_range_kpa
    (common,) = one["correlations"]
    differential = shape["ramp"]["summary"]["differential_kpa"]["mean"]
    assert common["r"] == pytest.approx(1 - differential / (high - low), abs=1e-3)
    assert one["U"] < 2 * shape["budget"]["single_actuation_kpa"]["U"]
    # up and down move opposite ways: the age counts twice in the differential
    both = shape["budget"]["differential_kpa"]
    (twice,) = [line for line in both["lines"] if line["name"] == "reading's age"]
    assert abs(twice["sensitivity"]) == pytest.approx(0.010, rel=0.02)
    assert "sampling" in names(shape["budget"]["single_actuation_kpa"])
    assert shape["ramp"]["summary"]["actuation_kpa"]["u"] == budget["u"]


def test_decay_budget_has_slope_clock_and_gain():
    rng = np.random.default_rng(4)
    train = Train()
    train.command(True, 500, 1)
    train.add(Step("watch", 1, 1000 * MS))
    for ms in np.arange(100, 30_000, 100):
        train.sample(1000 + ms, float(300 - 1.5 * ms / 1000 + rng.normal(0, 0.5)))
    train.end(31_500)
    rig = setup(gauge={"accuracy": "5 kPa"})
    shape = run_json(analyse(train.build(), rig, sheet("hold", state="energised", watch="30 s")))
    budget = shape["budget"]["decay_rate_kpa_s"]
    assert names(budget) == ["scatter about the line", "clock rate", "gauge gain"]
    assert budget["lines"][0]["part"] == pytest.approx(
        shape["hold"]["standard_error_kpa_s"], rel=1e-4
    )
    assert budget["lines"][2]["part"] == pytest.approx(0.005 * 1.5 / math.sqrt(3), rel=0.01)
    low, high = shape["hold"]["interval95"]
    assert low < 1.5 < high


def test_one_noisy_reading_carries_its_scatter():
    """Known truth: readings of standard deviation 0.8 kPa on a slow ramp."""
    rng = np.random.default_rng(6)
    n = 4000
    ramp = np.interp(np.arange(n), [0, n / 2, n], [0, 200, 0]) + rng.normal(0, 0.8, n)
    made = SampleSeries(np.arange(n) * 100 * MS, ramp, np.ones(n, bool))
    assert scatter_line(made).u == pytest.approx(0.8, rel=0.05)
    # only the steps of a display: its resolution stands in the budget already
    stepped = SampleSeries(made.t_ns, np.round(ramp / 5) * 5, made.good)
    assert scatter_line(stepped) is None


def test_what_one_gauge_leaves_open_twice_is_a_difference_of_correlated_inputs():
    """Outside: numpy's multivariate normal draws of the two errors."""
    fixed = [Line(RESOLUTION, 0.5, "kPa", "rectangular"), Line("gauge calibration", 4, "kPa",
             "normal"), Line(ZERO, 3, "kPa", "rectangular")]  # fmt: skip
    lines, together = _twice(fixed, 100.0, 1000.0)
    found = budget("differential", "kPa", 100.0, lines, correlations=together)
    rng = np.random.default_rng(2)
    off = rng.multivariate_normal([0, 0], 16 * np.array([[1, 0.9], [0.9, 1]]), 200_000)
    steps = rng.uniform(-0.5, 0.5, (200_000, 2))
    drawn = off[:, 0] - off[:, 1] + steps[:, 0] - steps[:, 1]
    assert found.u == pytest.approx(drawn.std(), rel=0.01)
