# SPDX-License-Identifier: MIT
"""Holds with known truth; the decay rate against scipy."""

from __future__ import annotations

import json

import numpy as np
import pytest
from held_runs import HOLD, drained, held, leaking, released
from scipy.stats import linregress
from statsmodels.tsa.arima_process import ArmaProcess
from statsmodels.tsa.stattools import acf
from stroke_trains import MS, Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.analysis.measure import marks
from rig.analysis.measure.hold import GONE_EARLY, SWITCH_OUT, _before
from rig.analysis.measure.pressure_decay import decay
from rig.analysis.stats.straight_line import display_step
from rig.analysis.stats.uncertainty import coverage_factor
from rig.core.recording import SampleSeries
from rig.core.records import Step
from rig.results.run_json import dumps, run_json


def test_decay_rate_and_its_error_are_those_of_an_independent_fit():
    at, kpa = leaking()
    result = held(zip(at, kpa, ["good"] * len(at), strict=True)).hold
    fit = linregress((np.round(at * MS) - 0) / 1e9, kpa)
    assert result.n == 600
    assert result.left_out == 0
    assert result.decay_rate_kpa_s == pytest.approx(-fit.slope, rel=1e-9)
    # a correlation that 600 readings cannot rule out widens it: (1 + phi) / (1 - phi), phi by
    # statsmodels, freed of the bias of residuals from a line, plus its standard error
    left = kpa - (fit.intercept + fit.slope * np.round(at * MS) / 1e9)
    seen = acf(left, nlags=1, fft=False)[1]
    phi = seen + (2 + 4 * seen) / 596
    most = phi + np.sqrt((1 - phi**2) / 600)
    wide = fit.stderr * np.sqrt((1 + most) / (1 - most))
    assert phi > 0 and wide < 1.1 * fit.stderr
    assert result.standard_error_kpa_s == pytest.approx(wide, rel=1e-9)
    assert abs(result.decay_rate_kpa_s - 1.5) < 4 * result.standard_error_kpa_s
    assert (result.from_ns, result.to_ns) == (1000 * MS, 61_000 * MS)
    assert result.marks == ()


def test_bad_readings_are_left_out_and_counted_and_wild_ones_too():
    at, kpa = leaking()
    rows = [(t, v, "good") for t, v in zip(at, kpa, strict=True)]
    clean = held(rows).hold
    wild = [(t, v, q) for t, v, q in rows]
    for place in range(0, 600, 20):  # one in twenty: a spike upwards, as a loose plug gives
        wild[place] = (wild[place][0], 900.0, "good")
    wild += [(t + 0.01, None, "garbage") for t, _, _ in rows[::100]]
    result = held(sorted(wild)).hold
    assert result.bad == 6
    assert result.left_out == 30
    assert result.decay_rate_kpa_s == pytest.approx(clean.decay_rate_kpa_s, abs=0.01)


def test_a_gauge_with_coarse_steps_keeps_its_readings():
    at = np.arange(100.0, 60_000, 100)
    kpa = np.round(310 - 0.02 * at / 1000)  # a fall of about one step of the display
    result = held(zip(at, kpa, ["good"] * len(at), strict=True)).hold
    assert result.left_out == 0
    # both ends are known to a step: a fall of one step is known no better than that
    away = abs(result.decay_rate_kpa_s - 0.02)
    assert away < result.standard_error_kpa_s < 0.02


def test_constant_pressure_has_no_decay():
    at = np.arange(100.0, 60_000, 100)
    result = held((t, 300.0, "good") for t in at).hold
    assert result.decay_rate_kpa_s == 0
    assert result.standard_error_kpa_s == 0


def test_an_emptied_gallery_never_conforms():
    result = released(drained)
    assert result.verdict.result == "does_not_conform"
    assert "the pressure was gone after 0.16 s" in result.verdict.why
    assert result.hold.marks == (GONE_EARLY, SWITCH_OUT)
    # of 300 kPa at least 270 were gone within 160 ms of the release and 100 ms before it
    assert 270 / 0.26 < result.hold.at_least_kpa_s < 300 / 0.16
    open_ = released(drained, limit="5000 kPa/s").verdict
    assert open_.result == "undecided"
    assert open_.next_check is not None and open_.next_check.id == "advice.shorten-watch"
    assert f"Next check: {open_.next_check.words}." in open_.why
    assert open_.reason == open_.why.replace(f" Next check: {open_.next_check}.", "")


def test_a_gallery_empty_from_the_start_decides_nothing():
    verdict = released(lambda at: 0.4 * (at % 200 == 60)).verdict
    assert verdict.result == "undecided"
    assert "there was no pressure" in verdict.limits[0].why.lower()


def test_readings_in_a_row_at_the_start_are_never_outliers():
    def kpa(at):
        return 300 - 0.2 * max(at, 0) if at < 700 else 160.0 + 0.1 * (at % 200 == 60)

    result = released(kpa, limit="1000 kPa/s")
    assert result.hold.left_out == 0
    assert marks.NOT_STRAIGHT in result.hold.marks
    assert result.verdict.result == "undecided"
    assert "no rate describes it" in result.verdict.why


def test_the_line_ends_where_the_switch_dropped_out():
    def kpa(at):
        return 300 - 0.038 * min(max(at, 0), 5000)  # falls at 38 kPa/s, then rests

    result = released(kpa, limit="50 kPa/s", off_at=4000)
    assert result.hold.decay_rate_kpa_s == pytest.approx(38, rel=1e-3)
    assert result.verdict.result == "undecided"
    assert "The switch dropped out after 4.00 s" in result.verdict.why
    assert released(kpa, limit="20 kPa/s", off_at=4000).verdict.result == "does_not_conform"


def test_energised_the_rise_is_not_part_of_the_decay():
    at = np.arange(10.0, 60_000, 100)
    kpa = np.where(at < 150, 200.0, 300.0)
    result = held(zip(at, kpa, ["good"] * len(at), strict=True)).hold
    assert result.switch_on_at_start is True
    assert result.pressure_start_kpa == 300
    assert result.decay_rate_kpa_s == 0


def test_too_few_readings_give_no_rate():
    result = held([(100, 300.0, "good"), (200, 299.0, "good"), (300, None, "garbage")])
    assert result.hold.decay_rate_kpa_s is None
    assert result.hold.marks == (marks.FEW_READINGS,)
    assert (result.hold.n, result.hold.bad) == (2, 1)


def test_when_the_switch_dropped_out():
    at, kpa = leaking(rate=4)
    rows = list(zip(at, kpa, ["good"] * len(at), strict=True))
    # a flicker of 3 ms at 20 s, then off for good at 41 s after two bounces
    result = held(rows, off_edges=[20_000, 20_003, 41_000, 41_001, 41_002]).hold
    assert result.dropped_out_ns == 42_002 * MS
    assert result.switch_on_at_end is False
    assert held(rows).hold.dropped_out_ns is None
    assert held(rows).hold.switch_on_at_end is True


def test_a_switch_that_opens_once_and_stays_open_has_dropped_out():
    """One edge to off and no further one to the end of the watch."""
    at, kpa = leaking(rate=4)
    rows = list(zip(at, kpa, ["good"] * len(at), strict=True))
    result = held(rows, off_edges=[41_000]).hold
    assert result.dropped_out_ns == 42_000 * MS
    assert SWITCH_OUT in result.marks
    assert result.switch_on_at_end is False
    # too near the end to have stayed off for the settle window: not known
    assert held(rows, off_edges=[59_999]).hold.dropped_out_ns is None


def test_a_switch_that_never_settled_on_has_dropped_out_at_its_last_opening():
    """On for 10 ms twice, with 5 ms between, within a settle window of 20 ms; then off for good."""
    train = Train("board")
    train.add(Step("settle", 0, 0), Step("energise", 1, 1000 * MS))
    train.command(True, 1000, 1)
    train.edge("readback", True, 1008)
    train.add(Step("watch", 1, 1000 * MS))
    train.edges("switch", [1050, 1060, 1065, 1075], first_on=True)
    train.command(False, 61_000, 1)
    train.edge("readback", False, 61_004)
    train.end(63_000)
    result = analyse(train.build(), setup(readback=True), sheet("hold", **HOLD)).hold
    assert (result.edges, result.dropped_out_ns) == (4, 1075 * MS)


def test_released_hold_watches_from_the_release_to_the_end():
    train = Train()
    train.add(Step("settle", 0, 0), Step("energise", 1, 1000 * MS))
    train.stroke(1, 1000, 3000, live=8, dead=4, on_edges=[50], off_edges=[40])
    train.add(Step("watch", 1, 3000 * MS + 100))
    for at in range(3000, 13_000, 100):
        train.sample(at, 300 - (at - 3000) / 1000)
    train.end(13_000)
    page = sheet("hold", state="released", watch="10 s")
    result = analyse(train.build(), setup(), page)
    assert (result.hold.from_ns, result.hold.to_ns) == (3000 * MS + 100, 13_000 * MS)
    assert result.hold.decay_rate_kpa_s == pytest.approx(1.0)
    assert result.hold.dropped_out_ns == 3040 * MS
    assert result.strokes.release_ms[0] == 36


def test_a_capture_is_watched_over_its_longest_quiet_stretch():
    at, kpa = leaking()
    result = held(zip(at, kpa, ["good"] * len(at), strict=True), source="capture").hold
    assert (result.from_ns, result.to_ns) == (1000 * MS, 61_000 * MS)


def test_a_hold_is_judged_by_its_decay_rate():
    at, kpa = leaking()
    rows = list(zip(at, kpa, ["good"] * len(at), strict=True))
    for limit, result in (
        ("1.0 kPa/s", "does_not_conform"),
        ("2.0 kPa/s", "conforms"),
        ("1.5 kPa/s", "undecided"),  # within two standard errors
    ):
        accept = [{"figure": "decay_rate", "max": limit}]
        page = sheet("hold", accept=accept, **HOLD)
        assert held(rows, kind=page).verdict.result == result, limit
    # a switch that never went on does not make it a missed stroke
    train = Train()
    train.add(Step("watch", 1, 1000 * MS))
    train.command(True, 1000, 1)
    train.edge("readback", True, 1008)
    for t, value, _ in rows:
        train.sample(1000 + t, value)
    train.end(62_000)
    accept = [{"figure": "decay_rate", "max": "2 kPa/s"}]
    result = analyse(train.build(), setup(), sheet("hold", accept=accept, **HOLD))
    assert result.verdict.result == "conforms"
    assert result.hold.switch_on_at_end is False


def test_hold_as_json():
    at, kpa = leaking(n=2000)
    shape = run_json(held(zip(at, kpa, ["good"] * len(at), strict=True)))
    again = json.loads(dumps(shape), parse_constant=pytest.fail)["hold"]
    assert len(again["trace"]["t_ms"]) == len(again["trace"]["pressure_kpa"]) <= 400
    assert again["from_ms"] == 1000
    assert shape["kind"] == "hold"


@pytest.mark.parametrize(
    ("phi", "n"), [(0.0, 10), (0.5, 10), (0.5, 20), (0.5, 60), (0.8, 15), (0.8, 30), (0.8, 100)]
)
def test_readings_that_resemble_the_one_before_them_widen_the_rate(phi, n):
    """Straight falls with noise of statsmodels' generator. Taken as independent, those of 60
    readings with AR(1) of 0.5 cover 72 %, of 15 with 0.8 54 %."""
    runs, process = 600, ArmaProcess([1, -phi], [1])
    noise = process.generate_sample(
        (n, runs), burnin=200, distrvs=np.random.default_rng(20_261).standard_normal
    )
    t_s = np.linspace(0.0, 30.0, n)
    given = covered = plain = 0
    for column in noise.T:
        kpa = 300 - 2 * t_s + 0.5 * column
        found = decay(t_s, kpa, None, None, 0.0)
        if found.rate is not None and found.rate.sure:
            away = abs(found.rate.kpa_s - 2)
            given += 1
            covered += away <= coverage_factor(found.rate.dof) * found.rate.error
            plain += away <= coverage_factor(n - 2) * linregress(t_s, kpa).stderr
    assert given >= 0.95 * runs
    assert covered / given >= 0.92  # 0.935 less 1.5 standard errors of 600 tries
    assert phi == 0 or plain / given <= 0.80


@pytest.mark.parametrize("n", [15, 30, 60])
def test_so_do_readings_of_a_curved_fall(n):
    """An exponential fall, closed form, AR(1) of 0.8; the scatter about the curve alone covers
    51 to 80 %."""
    process = ArmaProcess([1, -0.8], [1])
    noise = process.generate_sample(
        (n, 150), burnin=200, distrvs=np.random.default_rng(20_262).standard_normal
    )
    t_s = np.linspace(0.0, 12.0, n)
    truth = 300 * (1 - np.exp(-1.2)) / 12
    given = covered = 0
    for column in (noise * np.sqrt(1 - 0.8**2)).T:
        rate = decay(t_s, 300 * np.exp(-t_s / 10) + 0.5 * column, None, None, 2.5).rate
        if rate is not None and rate.sure:
            given += 1
            covered += abs(rate.kpa_s - truth) <= coverage_factor(rate.dof) * rate.error
    assert given >= 120
    assert covered / given >= 0.91


def test_a_steady_fall_is_no_display_of_coarse_steps():
    """Readings 2 kPa apart because the pressure falls; their scatter is not that of rounding."""
    chance = np.random.default_rng(5)
    values = 300 - 2.0 * np.arange(15) + chance.normal(0, 0.05, 15)
    assert display_step(values) < 0.05
    values += chance.normal(0, 1, 15)
    assert display_step(np.round(values / 0.5) * 0.5 / 6.894757) == pytest.approx(0.5 / 6.894757)
    assert display_step(np.array([300.0, 298.0, 295.0, 300.0])) == 1.0
    assert display_step(np.full(5, 300.0)) == 0.0


def test_the_pressure_before_the_watch_is_the_median_of_the_last_three_good_readings():
    """One wild reading just before the release does not stand for it, nor does an old one."""
    t_ns = np.array([0, 2100, 2200, 2400, 2500, 2600, 2800]) * 1_000_000
    value = np.array([900.0, 700.0, 301.0, 300.0, 999.0, 5.0, 1.0])
    good = np.array([True, True, True, True, False, True, True])
    series = SampleSeries(t_ns, value, good)
    start = _before(series, 2_700_000_000)
    assert start is not None and start == (300.0, pytest.approx(-0.1))
    assert _before(series, 0) is None and _before(series, 1_500_000_000) is None
