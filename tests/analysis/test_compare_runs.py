# SPDX-License-Identifier: MIT
"""Results compared: numbers, words, refusals."""

from __future__ import annotations

import json

import numpy as np
import pytest
from compared_results import result

from rig.analysis.compare.compare_runs import compare_runs
from rig.config.sheet.compare import Compare
from rig.core.errors import UsageError

OIL, NONE = ["oil", "oil"], Compare()


def normal(mean: float, seed: int, n: int = 40, sd: float = 1.0) -> list[float]:
    return [round(x, 3) for x in np.random.default_rng(seed).normal(mean, sd, n).tolist()]


def margins(**keys: str) -> Compare:
    return Compare.model_validate(keys)


def compared(*results, settings: Compare = NONE, media: list[str | None] | None = None):
    found = compare_runs(results, settings, media or ["oil"] * len(results))
    json.dumps(found, allow_nan=False)
    return found


def test_a_repair_that_helped() -> None:
    before, after = normal(62, 1), normal(50, 2)
    found = compared(result(3, before, valve="V-1"), result(5, after, valve="V-1"))
    assert found["difference_ms"] == pytest.approx(np.mean(after) - np.mean(before), abs=1e-5)
    low, high = found["ci95"]
    assert low < -12 < high or abs((low + high) / 2 + 12) < 1
    assert found["p"] < 1e-20
    assert found["effect_sd"] < -8
    assert found["equivalent"] is None
    assert found["strokes_needed"] == 2
    assert found["figures"]["response_ms"]["difference_ms"] == found["difference_ms"]
    assert found["figures"]["release_ms"]["difference_ms"] == 0
    assert (found["before"], found["after"]) == (3, 5)
    said = found["words"][0]
    assert said.startswith("The response is 12.")
    assert "shorter in run 5 (V-1) than in run 3 (V-1)" in said
    assert "more than the scatter of these strokes explains" in said
    assert "in fewer than 1 of 1000 comparisons" in said
    assert "the sheet gives no margin" in said


def test_alike_within_the_margin() -> None:
    settings = margins(response_margin="2 ms", release_margin="2 ms")
    found = compared(result(1, normal(50, 1)), result(2, normal(50, 2)), settings=settings)
    one = found["figures"]["response_ms"]
    assert one["equivalent"] is True
    assert one["margin_ms"] == 2
    assert -2 < one["ci90"][0] < one["ci90"][1] < 2
    assert "alike for the purpose" in found["words"][0]
    assert "does not yet mean" not in found["words"][0]


def test_no_difference_shown_is_not_alike() -> None:
    settings = margins(response_margin="2 ms")
    pair = result(1, normal(50, 1, 6, 3.0)), result(2, normal(50, 4, 6, 3.0))
    found = compared(*pair, settings=settings)
    one = found["figures"]["response_ms"]
    assert one["p"] > 0.05
    assert one["equivalent"] is None
    assert one["equivalence"] == "undecided"
    assert one["strokes_needed_equivalence"] is None or one["strokes_needed_equivalence"] > 6
    assert "That does not yet mean that they are alike" in found["words"][0]
    assert "is not decided" in found["words"][0]


def test_beyond_the_margin_is_not_alike() -> None:
    settings = margins(response_margin="2 ms")
    found = compared(result(1, normal(50, 1)), result(2, normal(58, 2)), settings=settings)
    assert found["equivalent"] is False
    assert "They are not alike" in found["words"][0]


def test_oil_at_two_temperatures() -> None:
    settings = margins(viscosity_40="73.3 cSt", viscosity_100="8.86 cSt", viscous_share="100 %")
    thick = [x * 30.082611 / 15.180386 for x in normal(40, 2)]  # ASTM D341: 60 against 80 degC
    pair = result(1, normal(40, 1), oil=80.0), result(2, thick, oil=60.0)
    found = compared(*pair, settings=settings)
    one = found["figures"]["response_ms"]
    assert one["p"] < 1e-9
    assert one["normalised"]["oil_temperature_degc"] == 80
    assert one["normalised"]["difference_ms"] == pytest.approx(0, abs=1)
    assert one["normalised"]["p"] > 0.05
    assert "may be all of it" in found["words"][0]
    assert "ASTM D341" in found["oil"]
    assert "100 % of each time (as the sheet states)" in found["oil"]
    assert any("oil temperature differs: 80, 60 degC" in note for note in found["notes"])


def test_without_a_viscous_share_the_oil_explains_anything_between() -> None:
    thick = [x * 1.5 for x in normal(40, 2)]
    pair = result(1, normal(40, 1), oil=80.0), result(2, thick, oil=60.0)
    found = compared(*pair)
    oil = found["figures"]["response_ms"]["normalised"]
    assert oil["share_known"] is False
    assert oil["most_ms"] == pytest.approx(found["figures"]["response_ms"]["difference_ms"])
    assert oil["least_ms"] < oil["difference_ms"] < oil["most_ms"]
    said = found["words"][0]
    assert f"anything from {oil['least_ms']:+.1f} to {oil['most_ms']:+.1f} ms" in said
    assert "Measure both at one temperature." in said
    assert "shows once" not in said


def test_equally_warm_oil_adds_nothing() -> None:
    runs = [result(n, normal(40, n), oil=80.0) for n in (1, 2, 3)]
    found = compared(*runs)
    assert found["oil"] is None
    assert found["figures"]["response_ms"]["normalised"] is None
    assert found["batch"]["response_ms"]["ranked"][0]["normalised_mean_ms"] is None


@pytest.mark.parametrize(
    ("media", "warm"),
    [(["air", "air"], (80.0, 60.0)), (["oil", None], (80.0, 60.0)), (OIL, (80.0, None)),
     (OIL, (80.0, 300.0))],
)  # fmt: skip
def test_nothing_is_normalised_without_oil_and_both_temperatures(media, warm) -> None:
    runs = [result(n, normal(40, n), oil=degc) for n, degc in enumerate(warm, 1)]
    found = compared(*runs, media=media)
    assert found["figures"]["response_ms"]["normalised"] is None
    if warm[1] == 300.0:  # thinner than the viscosity line knows
        assert "Not brought to the same oil temperature" in found["oil"]
    else:
        assert found["oil"] is None


def test_missed_strokes_are_compared() -> None:
    lost = [None] * 8 + normal(50, 1, 32)
    found = compared(result(1, lost), result(2, normal(50, 2)))
    missed = found["missed_compared"]
    assert missed["before"] == {"n": 8, "of": 40}
    assert missed["after"] == {"n": 0, "of": 40}
    # Fisher's exact test: 2 x C(40,8)/C(80,8) by counting
    assert missed["p"] == pytest.approx(0.005307, abs=2e-6)
    assert "8 of 40 in run 1, 0 of 40 in run 2. This is more than chance." in found["words"][-1]


def test_a_batch_names_the_odd_valve() -> None:
    means = {"V-1": 50, "V-2": 50.2, "V-3": 71, "V-4": 49.8}
    runs = [result(n, normal(mean, n), valve=tag) for n, (tag, mean) in enumerate(means.items(), 1)]
    found = compared(*runs)
    ranked = found["batch"]["response_ms"]["ranked"]
    assert [row["rank"] for row in ranked] == [1, 2, 3, 4]
    assert [row["valve"] for row in ranked if row["outlier"]] == ["V-3"]
    assert ranked[-1]["run"] == 3
    assert ranked[-1]["away_ms"] == pytest.approx(21, abs=0.8)
    assert "Run 3 (V-3) stands apart" in " ".join(found["words"])
    assert [pair["after"] for pair in found["comparisons"]] == [2, 3, 4]
    assert compared(*runs[:2])["batch"] is None


def test_a_batch_at_the_first_runs_oil_temperature() -> None:
    """A fully viscous time at 60 degC, brought to 80 (ASTM D341, check of the model beside it)."""
    settings = margins(viscosity_40="73.3 cSt", viscosity_100="8.86 cSt", viscous_share="100 %")
    thick = [x * 30.082611 / 15.180386 for x in normal(40, 2)]
    runs = [
        result(1, normal(40, 1), oil=80.0),
        result(2, thick, oil=60.0),
        result(3, normal(40, 3)),
    ]
    found = compared(*runs, settings=settings)
    rows = {row["run"]: row for row in found["batch"]["response_ms"]["ranked"]}
    assert rows[1]["normalised_mean_ms"] == pytest.approx(rows[1]["mean"])
    assert rows[2]["normalised_mean_ms"] == pytest.approx(40, abs=0.5)
    assert rows[2]["mean"] > 75
    assert rows[2]["u_model_ms"] > 0
    assert rows[3]["normalised_mean_ms"] is None
    dry = compared(*runs, settings=settings, media=["air"] * 3)
    row = dry["batch"]["response_ms"]["ranked"][0]
    assert row["normalised_mean_ms"] is None


def test_nothing_to_compare() -> None:
    found = compared(result(1, [None, None, 50.0]), result(2, normal(50, 1)))
    assert found["figures"]["response_ms"] is None
    assert found["difference_ms"] is None
    assert "fewer than two numbers" in found["words"][0]


def test_what_is_unfair_is_told() -> None:
    one = result(1, normal(50, 1), sheet_hash="x")
    drifted = [x + 0.2 * n for n, x in enumerate(normal(50, 2))]
    drifted[0] += 40
    found = compared(one, result(2, drifted, sheet_hash="y"))
    notes = " ".join(found["notes"])
    assert found["figures"]["response_ms"]["after"]["mean"] == pytest.approx(np.mean(drifted[1:]))
    assert "is left out of the comparison" in notes
    assert "different sheets" in notes
    assert "response was rising" in notes
    assert "not independent" in notes
    assert "first stroke's response stands out" in notes
    assert "one mounting" in notes
    assert "different setups" not in notes


def test_runs_that_cannot_stand_side_by_side() -> None:
    one, two = result(1, normal(50, 1)), result(2, normal(50, 2))
    cases = [
        ([one], "two runs or more"),
        ([one, one], "named twice"),
        ([one, {**two, "source": "simulated"}], "run 1: board, run 2: simulated"),
        ([one, {**two, "kind": "hold"}], "has no strokes"),
        ([one, {**two, "strokes": []}], "has no strokes"),
        ([one, {**two, "status": "running"}], "still going on"),
    ]
    for runs, told in cases:
        with pytest.raises(UsageError, match=told):
            compare_runs(runs, NONE, ["oil"] * len(runs))
