# SPDX-License-Identifier: MIT
"""How a run behaved: first stroke, drift, warm-up, outliers, missed share, and their JSON."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from compared_results import result
from hypothesis import given
from hypothesis import strategies as st

from rig.analysis.verdict.behaviour import figure_behaviour, first_stroke
from rig.core.json_values import plain


def steady(n: int, seed: int = 1, mean: float = 50.0) -> list[float]:
    return [round(x, 3) for x in np.random.default_rng(seed).normal(mean, 1, n).tolist()]


def test_a_first_stroke_that_stands_out_is_told_by_itself() -> None:
    values = steady(40)
    values[0] = 64.0
    found = result(1, values)
    assert found["first_stroke_excess_ms"] == pytest.approx(64.0 - np.median(values[1:]))
    first = found["first_stroke"]["response_ms"]
    assert first["stands_out"] is True
    assert first["p"] < 1e-6
    assert found["trend"]["response_ms"]["n"] == 39  # left to itself
    assert found["charts"]["response_ms"]["n"] == 39
    summary = found["summary"]["response_ms"]
    assert summary["n"] == 39
    assert (summary["rest"]["n"], summary["rest"]["mean"]) == (1, 64.0)
    assert found["outliers"]["response_ms"]["fences"]["far_strokes"] == []


def test_a_far_stroke_takes_the_trust_from_the_means_interval() -> None:
    """A stroke in 20 that sticks by 40 ms: where it is seen, the words say that the mean's interval
    may miss; without one they do not."""
    from rig.text.behaviour import sentences

    values = steady(20)
    assert "the mean's interval may miss" not in " ".join(sentences(result(1, values)))
    values[11] += 40.0
    told = " ".join(sentences(result(1, values)))
    assert "the scatter of the response is not normal, and the mean's interval may miss" in told


def test_a_first_stroke_like_the_others_does_not_stand_out() -> None:
    """One in a hundred does by chance: 1000 runs with fixed seed."""
    rng = np.random.default_rng(8)
    number = np.arange(1, 31)
    seen = sum(first_stroke(number, rng.normal(50, 1, 30)).stands_out for _ in range(1000))
    assert abs(seen - 10) <= 3 * math.sqrt(10)


def test_no_first_stroke_no_excess() -> None:
    assert result(1, [None, *steady(10)])["first_stroke_excess_ms"] is None
    assert result(1, steady(5))["first_stroke_excess_ms"] is None  # four others are too few
    values = np.array(steady(10))
    assert first_stroke(np.arange(2, 12), values) is None  # the recording began later


def test_equal_strokes_have_no_spread_and_no_signal() -> None:
    found = result(1, [50.0] * 20)
    json.dumps(found, allow_nan=False)
    assert found["first_stroke_excess_ms"] == 0
    assert found["trend"]["response_ms"]["direction"] == "none"
    assert found["trend"]["response_ms"]["p"] == 1
    assert found["charts"]["response_ms"]["signals"] == []
    assert found["change_points"]["response_ms"] == []
    assert found["summary"]["response_ms"]["lag1"] is None
    assert found["outliers"]["response_ms"]["grubbs"] is None


def test_drift_is_found_with_its_size() -> None:
    values = [x + 0.1 * n for n, x in enumerate(steady(60))]
    found = result(1, values)["trend"]["response_ms"]
    assert found["direction"] == "rising"
    assert found["slope_low"] < 0.1 < found["slope_high"]
    assert found["change"] == pytest.approx(5.9, abs=1.5)


def test_warm_up_is_the_level_before_the_only_change() -> None:
    values = steady(12, mean=60) + steady(48, seed=2)
    found = result(1, values)
    assert found["warm_up_strokes"]["response_ms"] == pytest.approx(12, abs=2)
    (change,) = found["change_points"]["response_ms"]
    assert change["before"] == pytest.approx(60, abs=1.5)
    assert change["after"] == pytest.approx(50, abs=1.5)
    assert result(1, list(reversed(values)))["warm_up_strokes"]["response_ms"] == 0


def test_a_missed_stroke_lies_between_numbers() -> None:
    values: list[float | None] = [*steady(30)]
    values[10] = None
    found = result(1, values)
    assert found["missed"]["n"] == 1
    assert found["missed"]["of"] == 30
    assert found["missed"]["upper95"] == pytest.approx(0.1486, abs=1e-4)  # statsmodels, beta
    assert found["missed"]["words"] == ("29 of 30: at least 85 % reliable with 95 % confidence")
    assert found["trend"]["response_ms"]["n"] == 28  # without the first, which comes after a rest


def test_fifty_nine_without_a_miss() -> None:
    found = result(1, steady(59))["missed"]
    assert found["n"] == 0
    assert found["of"] == 59
    assert found["upper95"] == pytest.approx(0.0495, abs=5e-5)
    assert found["words"] == "59 of 59: at least 95 % reliable with 95 % confidence"


def test_a_stroke_cut_short_is_no_answer_and_no_miss() -> None:
    from compared_results import recorded

    from rig.analysis.analyse import analyse
    from rig.results.run_json import run_json

    train = recorded(steady(9))
    train.command(True, 10_100, 10)
    train.end(10_110, "aborted")
    found = run_json(analyse(train.build(), None, None))
    assert found["counts"]["strokes"] == 10
    assert found["missed"]["of"] == 9
    assert found["missed"]["n"] == 0


def test_capability_needs_limits_for_each_stroke() -> None:
    values = steady(50)
    assert result(1, values)["capability"]["response_ms"] is None
    mean_only = [{"figure": "response", "of": "mean", "max": "60 ms"}]
    assert result(1, values, accept=mean_only)["capability"]["response_ms"] is None
    each = [{"figure": "response", "max": "60 ms"}, {"figure": "response", "max": "56 ms"},
            {"figure": "response", "min": "40 ms"}]  # fmt: skip
    found = result(1, values, accept=each)["capability"]["response_ms"]
    mean, sd = np.mean(values[1:]), np.std(values[1:], ddof=1)
    assert found["cpk"] == pytest.approx((56 - mean) / (3 * sd), abs=1e-5)
    assert found["cp"] == pytest.approx(16 / (6 * sd), abs=1e-5)
    assert found["cpk_lower95"] < found["cpk"]


def test_summary_gains_its_keys() -> None:
    found = result(1, steady(60))["summary"]["response_ms"]
    low, high = found["tolerance_95_95"]
    assert low < found["mean"] < high
    assert found["tolerance_95_95_lower"] > low
    assert found["tolerance_95_95_upper"] < high
    assert set(found["percentiles"]) == {"p5", "p50", "p95"}
    assert found["percentiles"]["p50"]["value"] == pytest.approx(found["median"])
    assert found["robust"]["median"] == pytest.approx(found["median"])
    assert found["robust"]["scaled_mad"] == pytest.approx(1, abs=0.35)
    assert found["sd_ci95"][0] < found["sd"] < found["sd_ci95"][1]


@given(st.lists(st.one_of(st.none(), st.floats(0, 1e4)), max_size=40))
def test_never_raises_and_never_says_nan(values: list[float | None]) -> None:
    known = np.array([np.nan if v is None else v for v in values], float)
    number = np.arange(1, len(values) + 1)
    found = figure_behaviour(number, known, 10.0, 60.0)
    for part in (found.first, found.trend, found.changes, found.charts, found.capability):
        json.dumps(plain(part), allow_nan=False)


def test_plain_refuses_what_has_no_json() -> None:
    assert plain({"a": (1, math.inf), "b": 1.23456789e-9}) == {"a": [1, None], "b": 1.23457e-9}
    with pytest.raises(TypeError, match="ndarray"):
        plain(np.zeros(2))


def test_tolerance_is_of_the_steady_strokes() -> None:
    """Without a stroke after rest or a doubtful one; from ten on; no time below 0."""
    values = np.array([200.0, 50.0, 51, 49, 50, 51, 49, 50, 51, 49, 50, 400.0])
    number, odd = np.arange(1, 13), np.arange(12) == 11
    found = figure_behaviour(number, values, None, 60.0, doubtful=odd, steady=number > 1)
    clean = figure_behaviour(np.arange(2, 12), values[1:11], None, 60.0)
    assert found.spread.tolerance_95_95 == clean.spread.tolerance_95_95
    assert found.capability == clean.capability
    few = figure_behaviour(number[:9], values[1:10])
    assert few.spread.tolerance_95_95 == (None, None)
    wild = figure_behaviour(np.arange(1, 11), np.array([1.0, 30, 2, 28, 1, 25, 3, 29, 1, 27]))
    assert wild.spread.tolerance_95_95.low == 0
    assert wild.spread.tolerance_95_95_lower == 0
