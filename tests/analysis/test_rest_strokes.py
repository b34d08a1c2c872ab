# SPDX-License-Identifier: MIT
"""Strokes after a rest: a figure of their own, by one rule, in every figure of a run."""

from __future__ import annotations

import numpy as np
import pytest
from compared_results import recorded, result
from stroke_trains import Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.analysis.compare.compare_runs import compare_runs
from rig.config.sheet.compare import Compare
from rig.results.run_json import run_json
from rig.text.behaviour import sentences


def drawn(rng: np.random.Generator, n: int, excess: float) -> list[float]:
    """Responses about 50 ms of which the first is `excess` longer (numpy alone)."""
    values = 50 + rng.standard_normal(n)
    values[0] += excess
    return [round(value, 4) for value in values.tolist()]


@pytest.mark.parametrize("excess", [0.0, 1.5, 14.0])
def test_the_mean_is_that_of_the_steady_strokes_whatever_the_first_one_did(excess: float) -> None:
    """Interval of the steady mean: 95 % cover, with an excess that stands out, that hides in the
    scatter, and none. With the first stroke in it, 14 ms over 20 strokes cover none."""
    rng, runs, held = np.random.default_rng(4), 150, 0
    for _ in range(runs):
        values = drawn(rng, 20, excess)
        shape = result(1, values)
        low, high = shape["summary"]["response_ms"]["interval95"]
        held += low <= 50 <= high
        assert shape["summary"]["response_ms"]["mean"] == pytest.approx(np.mean(values[1:]))
        assert shape["summary"]["response_ms"]["rest"]["mean"] == pytest.approx(values[0])
    assert held / runs > 0.95 - 3 * (0.05 * 0.95 / runs) ** 0.5


def test_one_mean_of_one_run() -> None:
    rng = np.random.default_rng(5)
    pair = result(1, drawn(rng, 20, 0.5)), result(2, drawn(rng, 20, 9.0))
    found = compare_runs(pair, Compare(), ["oil", "oil"])["figures"]["response_ms"]
    for one, side in zip(pair, ("before", "after"), strict=True):
        summary = one["summary"]["response_ms"]
        assert found[side]["mean"] == pytest.approx(summary["mean"], abs=1e-5)
        assert found[side]["n"] == summary["n"] == 19
        assert one["budget"]["response_ms"]["value"] == pytest.approx(summary["mean"], abs=1e-5)
        assert one["charts"]["response_ms"]["n"] == one["trend"]["response_ms"]["n"] == 19
        assert one["rest_strokes"] == [1]
        assert "After rest (stroke 1) the response is" in " ".join(sentences(one))


def paused(on_at: list[float], responses: list[float]) -> Train:
    train = Train("board")
    for number, (at, response) in enumerate(zip(on_at, responses, strict=True), 1):
        train.stroke(
            number, at, at + 500, live=5.0, dead=4.0, on_edges=[5.0 + response], off_edges=[34.0]
        )
    train.end(on_at[-1] + 1000)
    return train


@pytest.mark.parametrize("told", [True, False])
def test_a_stroke_after_a_pause_is_one_too(told: bool) -> None:
    """A pause of 30 s before stroke 8; the sheet's rest is 500 ms, a capture's its own median."""
    on_at = [1000.0 * n for n in range(1, 8)] + [38_000.0 + 1000 * n for n in range(5)]
    used = sheet(strokes=12) if told else None
    found = run_json(analyse(paused(on_at, [50.0] * 12).build(), setup(), used))
    assert found["rest_strokes"] == [1, 8]
    assert found["summary"]["response_ms"]["n"] == 10
    assert found["summary"]["response_ms"]["rest"]["n"] == 2


def test_a_few_strokes_are_no_steady_run() -> None:
    found = result(1, [60.0, 50.0, 50.0, 50.0, 50.0])
    assert found["rest_strokes"] == []
    assert found["summary"]["response_ms"]["n"] == 5
    assert found["summary"]["response_ms"]["rest"]["n"] == 0


def judged(strokes: str | None, of: str = "mean", limit: str = "55 ms") -> dict:
    accept = {"figure": "response", "of": of, "max": limit}
    accept |= {} if strokes is None else {"strokes": strokes}
    values = [90.0] + [50.0 + 0.1 * (n % 3) for n in range(11)]
    used = sheet(strokes=12, accept=[accept])
    found = run_json(analyse(recorded(values).build(), setup(), used))
    return found["verdict"]["limits"][0]


def test_a_sheet_may_ask_for_either() -> None:
    assert judged(None)["result"] == "conforms"
    assert judged("steady")["value"] == judged(None)["value"] == pytest.approx(50.1, abs=0.05)
    assert judged(None)["n"] == 11
    everyone = judged("all")
    assert everyone["value"] == pytest.approx((90 + 11 * 50.1) / 12, abs=0.1)
    assert (everyone["n"], everyone["strokes"]) == (12, "all strokes, those after rest too")
    assert judged(None, "each")["result"] == "does_not_conform"
    assert judged("steady", "each")["result"] == "conforms"
    rest = judged("rest", "each")
    assert (rest["result"], rest["n"], rest["value"]) == ("does_not_conform", 1, 90)
    assert judged("rest", "each", "100 ms")["result"] == "conforms"
    assert "the strokes after rest" in rest["why"]
