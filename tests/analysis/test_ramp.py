# SPDX-License-Identifier: MIT
"""Ramps with known truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import linregress
from stroke_trains import MS, Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.analysis.measure import marks
from rig.analysis.stats.straight_line import fit_line
from rig.core.records import Step
from rig.results.run_json import run_json

RAMP = {"ramps": 3, "low": "0 kPa", "high": "200 kPa"}


def test_a_ramp_is_judged_by_its_pressures():
    def judged(*accept):
        page = sheet("ramp", accept=list(accept), **RAMP)
        return analyse(ramped(), setup(readback=False), page).verdict

    assert judged({"figure": "actuation_pressure", "max": "160 kPa"}).result == "conforms"
    worst = judged({"figure": "actuation_pressure", "max": "152 kPa"})
    assert worst.result == "does_not_conform"
    assert worst.why == "Actuation pressure of 154.44 kPa in ramp 2 is above 152 kPa."
    mean = {"figure": "differential", "of": "mean", "min": "40 kPa", "max": "50 kPa"}
    assert judged(mean).result == "conforms"
    # 44.6 kPa from three ramps, sd 1.7 kPa: too near 45 kPa to tell
    near = judged(mean | {"max": "45 kPa"})
    assert near.result == "undecided"
    assert near.limits[0].strokes_needed is not None


UP = (151.685, 154.442, 150.305)
DOWN = (106.869, 108.248, 107.558)


def ramped(readings_ms=100.0, *, speed=5.0, up=UP, down=DOWN, steps=True, source="board"):
    """Three ramps 0 to 200 kPa and back at `speed` kPa/s; the switch changes exactly at `up` and
    `down` kPa."""
    train = Train(source, readback=False)
    leg = 200 / speed * 1000

    def true(ms):
        into = (ms - 1000) % (2 * leg)
        return speed / 1000 * (into if into < leg else 2 * leg - into)

    for number, (rise, fall) in enumerate(zip(up, down, strict=True), 1):
        start = 1000 + (number - 1) * 2 * leg
        if steps:
            train.add(Step("raise", number, round(start * MS)))
            train.add(Step("lower", number, round((start + leg) * MS)))
        train.edge("switch", True, start + rise / speed * 1000)
        train.edge("switch", False, start + leg + (200 - fall) / speed * 1000)
    at = 1000.0
    while at < 1000 + 6 * leg:
        train.sample(at, true(at))
        at += readings_ms
    train.end(1000 + 6 * leg)
    return train.build()


def ramps_of(*given, **keys):
    return analyse(ramped(*given, **keys), setup(readback=False), sheet("ramp", **RAMP))


@pytest.mark.parametrize(("steps", "source"), [(True, "board"), (False, "capture")])
def test_actuation_reset_and_differential(steps, source):
    """Values: rising 22.0, 22.4, 21.8 psi, falling 15.5, 15.7, 15.6 psi give means 22.066667 and
    15.600000, a differential of 6.466667 psi (arithmetic); 1 psi = 6.894757 kPa (NIST SP 811)."""
    psi = 6.894757293168361
    result = ramps_of(
        up=[psi * v for v in (22.0, 22.4, 21.8)], down=[psi * v for v in (15.5, 15.7, 15.6)],
        steps=steps, source=source,
    )  # fmt: skip
    summary = run_json(result)["ramp"]["summary"]
    assert summary["actuation_kpa"]["mean"] / psi == pytest.approx(22.066667, abs=1e-4)
    assert summary["reset_kpa"]["mean"] / psi == pytest.approx(15.6, abs=1e-4)
    assert summary["differential_kpa"]["mean"] / psi == pytest.approx(6.466667, abs=1e-4)
    assert result.ramp.number.tolist() == [1, 2, 3]
    assert result.ramp.marks == ((), (), ())


def test_readings_too_slow_for_the_ramp_give_no_number():
    result = ramps_of(700.0, speed=50.0)
    assert np.isnan(result.ramp.actuation_kpa).all()
    assert np.isnan(result.ramp.differential_kpa).all()
    assert result.ramp.marks == ((marks.TOO_SLOW,),) * 3
    shape = run_json(result)["ramp"]
    assert shape["ramps"][0] == {
        "number": 1, "actuation_kpa": None, "reset_kpa": None, "differential_kpa": None,
        "marks": [marks.TOO_SLOW], "mark_ids": ["mark.too-slow"],
    }  # fmt: skip


def test_ramp_where_the_switch_never_changed():
    train = Train(readback=False)
    train.add(Step("raise", 1, 1000 * MS), Step("lower", 1, 5000 * MS))
    for at in range(1000, 9000, 100):
        train.sample(at, 100.0)
    train.end(9000)
    result = analyse(train.build(), setup(readback=False), sheet("ramp", **RAMP))
    assert result.ramp.marks == ((marks.NO_CHANGE,),)


def test_ramp_that_begins_with_the_switch_on():
    train = Train(readback=False, rest_on=True)
    train.add(Step("raise", 1, 1000 * MS), Step("lower", 1, 5000 * MS))
    train.edge("switch", False, 6000)
    train.end(9000)
    result = analyse(train.build(), setup(readback=False), sheet("ramp", **RAMP))
    assert marks.ON_BEFORE_RAMP in result.ramp.marks[0]
    assert marks.ON_BEFORE_RAMP in result.doubtful


def test_ripple_that_switches_on_the_way_is_marked():
    train = Train(readback=False)
    train.add(Step("raise", 1, 1000 * MS), Step("lower", 1, 41_000 * MS))
    train.edges("switch", [20_000, 20_300, 20_500], first_on=True)
    train.edge("switch", False, 60_000)
    for at in range(1000, 81_000, 100):
        train.sample(at, (at - 1000) / 200 if at < 41_000 else (81_000 - at) / 200)
    train.end(81_000)
    result = analyse(train.build(), setup(readback=False), sheet("ramp", **RAMP))
    assert result.ramp.marks[0] == (marks.SEVERAL_SWITCHINGS,)
    assert result.ramp.actuation_kpa[0] == pytest.approx(95.0)


@pytest.mark.parametrize("n", [0, 1, 2])
def test_no_line_through_too_few_points(n):
    assert fit_line(np.arange(n, dtype=float), np.arange(n, dtype=float)) is None
    assert fit_line(np.ones(5), np.arange(5.0)) is None


def test_line_against_scipy_on_many_random_sets():
    chance = np.random.default_rng(11)
    for n in (3, 4, 10, 250, 5000):
        t = np.sort(chance.uniform(0, 100, n))
        value = 5 - 0.3 * t + chance.uniform(-1, 1, n)  # no tails: nothing to leave out
        line, fit = fit_line(t, value), linregress(t, value)
        if line.used.all():
            assert line.slope == pytest.approx(fit.slope, rel=1e-9)
            assert line.intercept == pytest.approx(fit.intercept, rel=1e-9)
            assert line.slope_error == pytest.approx(fit.stderr, rel=1e-9)
        assert line.used.all() or n < 10
