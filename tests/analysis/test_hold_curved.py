# SPDX-License-Identifier: MIT
"""Falls along a curve, readings that depend on one another, and the ends of a watch."""

from __future__ import annotations

import numpy as np
import pytest
from held_runs import HOLD, held, released
from scipy.stats import linregress
from scipy.stats import t as student
from stroke_trains import sheet

from rig.analysis.measure import marks
from rig.analysis.measure.hold import END_ALONE
from rig.analysis.measure.pressure_decay import decay
from rig.results.run_json import run_json


def test_a_curve_is_marked():
    at = np.arange(100.0, 60_000, 100)
    kpa = 300 * np.exp(-at / 1000 / 15)
    result = held(zip(at, kpa, ["good"] * len(at), strict=True)).hold
    assert result.marks == (marks.NOT_STRAIGHT,)


@pytest.mark.parametrize("noise", [0.0, 0.5])
def test_a_curved_fall_has_the_mean_rate_of_its_watch(noise):
    """Truth: what an exponential loses between two instants, in closed form; the interval is held
    in at least 24 of 30 (P of fewer at 95 %: 0.2 %, scipy.stats.binom)."""
    inside = 0
    for seed in range(30):
        chance, tau_s = np.random.default_rng(seed), 5 + seed / 3
        at = np.arange(100.0, 10_000, 100)
        kpa = 300 * np.exp(-at / 1000 / tau_s) + noise * chance.normal(size=len(at))
        read = dict(zip(at.tolist(), kpa.tolist(), strict=True))
        result = released(lambda ms, read=read: read.get(ms, 300.0), off_at=None, first=100)
        found = run_json(result)["hold"]
        ends = [found["rate_from_ms"], found["rate_to_ms"]]
        held_kpa = [300 * np.exp(-(ms - 3000) / 1000 / tau_s) for ms in ends]
        truth = 1000 * (held_kpa[0] - held_kpa[1]) / (ends[1] - ends[0])
        assert found["rate_is"] == "mean of the watch"
        low, high = found["interval95"]
        inside += low <= truth <= high
        assert (high - low) / 2 < 0.03 * truth + noise
    assert inside >= 24


def test_a_curved_fall_is_judged_by_its_mean_rate():
    """300 kPa with a time constant of 5 s: 25.8 kPa/s over these 10 s, 60 kPa/s at first."""
    fall = {"kpa_at": lambda ms: 300 * np.exp(-max(ms, 0) / 5000), "off_at": None}
    assert released(**fall, limit="27 kPa/s").verdict.result == "conforms"
    assert released(**fall, limit="25 kPa/s").verdict.result == "does_not_conform"
    # the readings are exact: only the clock is open, by 0.0025 kPa/s
    assert released(**fall, limit="25.808 kPa/s").verdict.result == "undecided"
    assert released(**fall, limit="25.83 kPa/s").verdict.result == "conforms"


@pytest.mark.parametrize("tau_s", [0.1, 0.3, 0.6, 1.5, 6.0, 60.0])
@pytest.mark.parametrize(("n", "noise"), [(60, 0.2), (60, 5.0), (120, 2.0), (600, 1.0), (600, 5.0)])
def test_a_fall_too_quick_for_the_curve_is_covered_or_not_told(tau_s, n, noise):
    """200 kPa settle with a time constant from a 600th of the watch to the whole of it. Truth: the
    exponential in closed form; at 95 % fewer than 35 of 40 come by chance in 0.7 % of such tests
    (scipy.stats.binom), and the numbers here are always the same."""
    chance, t_s = np.random.default_rng(7), np.linspace(0, 60, n)
    truth, told, inside = 200 * (1 - np.exp(-60 / tau_s)) / 60, 0, 0
    for _ in range(40):
        kpa = 250 + 200 * np.exp(-t_s / tau_s) + chance.normal(0, noise, n)
        rate = decay(t_s, kpa, None, None, 5.0).rate
        if not rate.sure or rate.end_alone:
            continue
        told += 1
        half = student.ppf(0.975, rate.dof) * rate.error
        inside += abs(rate.kpa_s - truth) <= half
    assert inside >= told * 35 / 40
    if tau_s > 1.5:  # and it is told where the curve can follow
        assert told >= 36


def watched(kpa, limit, at=None):
    at = np.linspace(100, 59_900, len(kpa)) if at is None else at
    page = sheet("hold", accept=[{"figure": "decay_rate", "max": limit}], **HOLD)
    return held(zip(at, kpa, ["good"] * len(kpa), strict=True), kind=page)


def test_a_quick_leak_beyond_its_limit_does_not_conform():
    chance, at = np.random.default_rng(3), np.linspace(100, 59_900, 600)
    kpa = 250 + 200 * np.exp(-(at - 100) / 300) + chance.normal(0, 5, 600)
    result = watched(kpa, "2.5 kPa/s")  # 200 kPa in 59.8 s: 3.34 kPa/s
    assert result.verdict.result == "does_not_conform"
    assert result.hold.decay_rate_kpa_s == pytest.approx(3.344, abs=0.3)


@pytest.mark.parametrize("n", [10, 20])
def test_the_last_two_readings_are_never_outliers(n):
    kpa = 400 - np.linspace(0, 60, n) + np.random.default_rng(1).normal(0, 1, n)
    kpa[-2:] -= 86, 250
    result = watched(kpa, "2 kPa/s")
    assert result.hold.left_out == 0
    assert result.hold.decay_rate_kpa_s == pytest.approx((60 + 250) / 59.8, abs=0.1)
    assert result.verdict.result == "does_not_conform"


@pytest.mark.parametrize(("place", "name"), [(0, "first"), (-1, "last")])
@pytest.mark.parametrize("tau_s", [None, 20.0])
def test_a_lone_reading_at_an_end_decides_nothing(tau_s, place, name):
    t_s = np.linspace(0, 60, 120)
    kpa = 400 - t_s if tau_s is None else 100 + 300 * np.exp(-t_s / tau_s)
    kpa += np.random.default_rng(1).normal(0, 1, 120)
    assert watched(kpa, "8 kPa/s").verdict.result == "conforms"
    away = 60 if tau_s is None else 20  # a larger one no curve describes: no interval at all
    kpa[place] += away if place == 0 else -away
    result = watched(kpa, "8 kPa/s")
    assert END_ALONE in result.hold.marks
    assert result.verdict.result == "undecided"
    assert f"he {name} reading lies far off the others" in result.verdict.why


@pytest.mark.parametrize(("instants", "burst"), [(5, 6), (6, 10), (8, 5), (12, 10), (40, 3)])
def test_readings_that_arrive_together_are_one_instant(instants, burst):
    """A gauge that sends several lines at a time: they share a stamp."""
    at = np.repeat(np.linspace(100, 59_900, instants), burst)
    kpa = 600 * np.exp(-at / 40_000) + np.random.default_rng(2).normal(0, 1, len(at))
    result = watched(kpa, "20 kPa/s", at)
    assert marks.NOT_STRAIGHT in result.hold.marks
    if instants < 3 * 3:  # too few for a curve
        assert result.verdict.result == "undecided"
        assert result.hold.standard_error_kpa_s is None
    else:
        truth = 600 * (np.exp(-0.1 / 40) - np.exp(-59.9 / 40)) / 59.8
        away = abs(result.hold.decay_rate_kpa_s - truth)
        assert away < 3 * result.hold.standard_error_kpa_s


def followed(phi, seed, n=240):
    """A leak of 1.5 kPa/s whose readings resemble the ones before them: AR(1) of `phi`."""
    chance = np.random.default_rng(seed)
    away = np.zeros(n)
    for place, new in enumerate(chance.normal(0, 0.5 * np.sqrt(1 - phi**2), n)):
        away[place] = phi * away[place - 1] + new
    at = np.linspace(100, 59_900, n)
    return at, 310 - 1.5 * at / 1000 + away


@pytest.mark.parametrize("phi", [0.5, 0.8])
def test_readings_that_follow_one_another_widen_the_rate(phi):
    """The slope's interval covers the truth; that of ordinary least squares would not: with AR(1)
    its error is too small by about sqrt((1 + phi) / (1 - phi))."""
    inside = plain = 0
    for seed in range(30):
        at, kpa = followed(phi, seed)
        result = held(zip(at, kpa, ["good"] * len(at), strict=True))
        low, high = run_json(result)["hold"]["interval95"]
        inside += low <= 1.5 <= high
        fit = linregress(at / 1000, kpa)
        plain += abs(fit.slope + 1.5) <= 1.96 * fit.stderr
        assert result.hold.effective_n < 0.8 * len(at)
    assert inside >= 25
    assert plain < inside


def test_a_slow_wave_is_no_rate():
    """Three waves in the watch and no leak: least squares sees one, its error of four times less
    than that would exclude none."""
    at = np.linspace(100, 59_900, 240)
    kpa = 310 + 8 * np.sin(2 * np.pi * at / 20_000)
    accept = [{"figure": "decay_rate", "max": "0.05 kPa/s"}]
    page = sheet("hold", accept, **HOLD)
    result = held(zip(at, kpa, ["good"] * len(at), strict=True), kind=page)
    fit = linregress(at / 1000, kpa)
    assert fit.slope + 1.96 * fit.stderr < 0
    low, high = run_json(result)["hold"]["interval95"]
    assert low < 0 < high
    assert result.verdict.result == "undecided"
