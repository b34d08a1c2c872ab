# SPDX-License-Identifier: MIT
"""A calibration in a setup: applied in analysis only, with its uncertainty, its date and zero."""

from __future__ import annotations

import datetime

import numpy as np
import pytest
from stroke_trains import Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.analysis.measure.gauge_calibration import (
    BENT,
    ITSELF,
    applied_of,
    bend_kpa,
    fit_of,
    line_fit,
    remarks,
)
from rig.analysis.measure.instrument_uncertainty import gauge_lines
from rig.analysis.measure.pressure_at import pressure_of
from rig.config.calibration_rules import calibration_rules
from rig.config.gauge.calibration import IN_DATE, OUT_OF_DATE, CalibrationSetup
from rig.config.setup.cautions import cautions
from rig.results.run_json import dumps, run_json

DAY = datetime.date(2026, 11, 25)


def table(offset=2.0, gain=0.99, scatter=0.2, due="2027-01-01", **more):
    rng = np.random.default_rng(1)
    truths = np.linspace(0, 500, 11)
    readings = (truths - offset) / gain + rng.normal(0, scatter, 11)
    return {
        "date": "2026-01-01", "due": due, "reference": "test gauge, invented",
        "reference_uncertainty": "0.5 kPa",
        "points": [
            {"reference": f"{t} kPa", "reading": f"{r} kPa"}
            for t, r in zip(truths, readings, strict=True)
        ],
    } | more  # fmt: skip


def wired(**calibration):
    plain = setup(gauge={"expected_range": ["0 kPa", "400 kPa"], "accuracy": "8 kPa"})
    return plain.model_copy(
        update={
            "calibration": CalibrationSetup.model_validate(table(**calibration)),
            "limits": plain.limits.model_copy(update={"pressure_kpa": 500.0}),
        }
    )


def recording(value=300.0, n=200):
    train = Train()
    for k in range(n):
        train.sample(10.0 * k, value)
    train.stroke(1, 1000, 1500, live=8, dead=4, on_edges=[50], off_edges=[40])
    train.end(2500)
    return train.build()


def test_readings_are_corrected_in_analysis_and_the_recording_stays_raw():
    made, raw = wired(), recording()
    seen = pressure_of(raw, made)
    assert seen.value[0] == pytest.approx(0.99 * 300 + 2, abs=0.5)
    assert (raw.samples["pressure"].value == 300.0).all()


def test_the_uncertainty_is_that_of_line_and_reference_and_not_the_stated_accuracy():
    made, raw = wired(), recording()
    applied = applied_of(raw, made, DAY)
    lines = {line.name: line for line in gauge_lines(made, raw.samples["pressure"], applied)}
    assert set(lines) == {
        "gauge calibration", "gauge's scatter about its line", "reference gauge",
        "gauge resolution",
    }  # fmt: skip
    # one reading scatters about the line as the points do (JCGM 100:2008, H.3: s)
    assert lines["gauge's scatter about its line"].u >= fit_of(made.calibration).s
    assert lines["gauge calibration"].dof == 9
    assert lines["gauge calibration"].u == pytest.approx(fit_of(made.calibration).u(300.0))
    assert lines["reference gauge"].u == 0.25


def test_out_of_date_is_said_and_the_stated_accuracy_comes_back_in():
    made, raw = wired(due="2026-06-01"), recording()
    applied = applied_of(raw, made, DAY)
    assert applied.state == OUT_OF_DATE
    names = [line.name for line in gauge_lines(made, raw.samples["pressure"], applied)]
    assert "gauge out of date" in names
    page = sheet(accept=[{"figure": "missed", "max": 0}])
    result = run_json(analyse(raw, made, page, done_on=DAY))
    assert result["calibration"]["state"] == OUT_OF_DATE
    assert "OUT OF DATE" in result["calibration"]["remarks"][0]
    assert "caution.gauge-out-of-date" in {one.id for one in cautions(made)}
    assert "OUT OF DATE" in result["verdict"]["why"]
    dumps(result)


def test_a_run_before_the_calibration_was_made_is_not_in_date():
    made = CalibrationSetup.model_validate(table())
    assert made.state(datetime.date(2025, 1, 1)) == OUT_OF_DATE
    assert made.state(DAY) == IN_DATE
    assert "not known" in made.state(None)


def test_the_zero_before_the_run_is_held_against_the_stored_one():
    zero = {"zero_check": True, "zero_reading": "0.3 kPa", "zero_tolerance": "1 kPa"}
    good = applied_of(recording(0.5), wired(**zero), DAY)
    assert good.zero.held
    assert good.zero.drift_kpa == pytest.approx(0.2)
    bad = applied_of(recording(5.0), wired(**zero), DAY)
    assert bad.zero.held is False
    assert bad.zero.taken_off_kpa == 0.0
    assert "+4.7 kPa" in " ".join(remarks(bad))
    names = [line.name for line in gauge_lines(wired(**zero), recording().samples["pressure"], bad)]
    assert "gauge's zero" in names


def test_an_allowed_drift_of_the_zero_is_taken_off_every_reading_unless_the_setup_says_not():
    zero = {"zero_check": True, "zero_reading": "0.3 kPa", "zero_tolerance": "1 kPa"}
    raw = recording(0.8)
    plain, taken = (pressure_of(raw, wired(**more)).value[0] for more in ({}, zero))
    assert plain - taken == pytest.approx(0.5, abs=0.02)  # of the gain 0.99
    kept = wired(**zero, zero_correction=False)
    assert pressure_of(raw, kept).value[0] == pytest.approx(plain)
    applied = applied_of(raw, wired(**zero), DAY)
    found = gauge_lines(wired(**zero), raw.samples["pressure"], applied)
    lines = {line.name: line for line in found}
    assert lines["gauge's zero"].u == pytest.approx(0.0, abs=1e-12)  # readings without scatter
    raw.samples["pressure"].value[-20:] = 1.0  # the display has steps of 0.2
    assert applied_of(raw, wired(**zero), DAY).zero.u_kpa == pytest.approx(0.2 / 12**0.5)
    assert "subtracted" in lines["gauge's zero"].note


def test_a_bent_gauge_says_so_and_carries_its_bend():
    truths = np.repeat(np.linspace(0, 500, 6), 2)
    readings = truths + 8 * (truths / 250 - 1) ** 2 + np.tile([-0.1, 0.1], 6)
    points = [{"reference": f"{t} kPa", "reading": f"{r} kPa"}
              for t, r in zip(truths, readings, strict=True)]  # fmt: skip
    made = wired(points=points)
    applied = applied_of(recording(), made, DAY)
    assert 3 < applied.bend_kpa < 8
    assert "does not describe" in " ".join(remarks(applied))
    names = [line.name for line in gauge_lines(made, recording().samples["pressure"], applied)]
    assert "gauge not straight" in names
    assert applied_of(recording(), wired(), DAY).bend_kpa == 0.0


@pytest.mark.parametrize(
    ("points", "seen"),
    [([(0, 0), (100, 112), (200, 212), (300, 300)], False),
     ([(x, x + 6 * np.sin(2 * np.pi * x / 400)) for x in range(0, 401, 50)], False),
     ([(x, x + x * (400 - x) / 4000) for x in range(0, 401, 100)], True)],
)  # fmt: skip
def test_a_bend_that_no_test_sees_is_in_the_uncertainty_of_one_reading(points, seen):
    """The points themselves are readings with a known truth: none lies beyond U = 2 u."""
    rows = [{"reference": f"{a} kPa", "reading": f"{b} kPa"} for a, b in points]
    made = wired(points=rows)
    applied = applied_of(recording(200.0), made, DAY)
    assert bool(applied.bend_kpa) == seen
    lines = gauge_lines(made, recording(200.0).samples["pressure"], applied)
    (own,) = (one for one in lines if one.name in (ITSELF, BENT))
    far = max(abs(a - b - applied.fit.correction(b)) for a, b in points)
    assert own.u >= applied.fit.s - 1e-9
    assert 2 * own.u >= far


def test_of_a_run_whose_day_is_not_known_the_stated_accuracy_counts():
    made, raw = wired(), recording()
    lines = gauge_lines(made, raw.samples["pressure"], applied_of(raw, made, None))
    assert "gauge out of date" in [line.name for line in lines]


def test_straight_gauges_are_seldom_called_bent():
    """Known truth: two tests at 1 % each call at most 2 % of straight gauges bent."""
    rng, bent, runs = np.random.default_rng(8), 0, 400
    for _ in range(runs):
        truths = np.repeat(np.linspace(0, 500, 6), 2)
        made = table()
        made["points"] = [
            {"reference": f"{t} kPa", "reading": f"{r} kPa"}
            for t, r in zip(truths, 1.01 * truths + rng.normal(0, 0.7, 12), strict=True)
        ]
        bent += bend_kpa(CalibrationSetup.model_validate(made)) > 0
    assert bent <= 0.02 * runs + 3 * (0.02 * runs) ** 0.5


def test_readings_beyond_the_points_are_said():
    assert "beyond" in " ".join(remarks(applied_of(recording(800.0), wired(), DAY)))
    assert not remarks(applied_of(recording(300.0), wired(), DAY))


def test_a_gauge_that_reads_low_at_the_limit_is_cautioned_of():
    late = [
        {one.id for one in cautions(made)} & {"caution.gauge-reads-low"}
        for made in (wired(offset=40.0), wired())
    ]
    assert late == [{"caution.gauge-reads-low"}, set()]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"due": "2025-12-31"}, "ran out before"),
        ({"points": [{"reference": "0 kPa", "reading": "1 kPa"}] * 4}, "three different"),
        (
            {"points": [{"reference": f"{9 - k} kPa", "reading": f"{k} kPa"} for k in range(4)]},
            "do not rise",
        ),
        ({"zero_check": True}, "zero_reading"),
    ],
)
def test_what_cannot_stand_together_is_refused(change, words):
    made = wired().model_copy(
        update={"calibration": CalibrationSetup.model_validate(table() | change)}
    )
    finding, *_ = calibration_rules(made)
    assert words in finding.what
    assert not list(calibration_rules(wired()))


@pytest.mark.parametrize(
    ("place", "point", "words", "key"),
    [
        (2, ("40 psi", "41.1 bar"), "beyond the measuring range", "reading"),
        (2, ("100 kPa", "10 bar"), "kPa apart", "reading"),
        (4, ("200 kPa", "230 kPa"), "off the line", "reading"),
        (4, ("9 MPa", "230 kPa"), "beyond the measuring range", "reference"),
    ],
)
def test_a_point_that_cannot_be_is_refused_with_its_place(place, point, words, key):
    made = table()
    made["points"][place] = dict(zip(("reference", "reading"), point, strict=True))
    rig = wired().model_copy(update={"calibration": CalibrationSetup.model_validate(made)})
    findings = list(calibration_rules(rig))
    assert any(words in one.what and one.where[-1] == key for one in findings)
    assert {one.where[:3] for one in findings} == {("calibration", "points", place)}


def test_the_correction_holds_its_intervals():
    """Known truth: the corrected reading's 95 % interval covers it in 95 % of the calibrations."""
    from rig.analysis.stats.uncertainty import coverage_factor

    rng, inside, runs = np.random.default_rng(3), 0, 2000
    for _ in range(runs):
        truths = np.linspace(0, 500, 7)
        readings = (truths - 3) / 1.01 + rng.normal(0, 0.7, 7)
        fit = line_fit(readings, truths - readings)
        at = rng.uniform(0, 500)
        inside += abs(at + fit.correction(at) - (1.01 * at + 3)) <= coverage_factor(5) * fit.u(at)
    assert inside / runs == pytest.approx(0.95, abs=0.015)


def test_too_few_points_make_no_line():
    with pytest.raises(ValueError, match="three"):
        line_fit(np.array([1.0, 1.0, 2.0]), np.zeros(3))
