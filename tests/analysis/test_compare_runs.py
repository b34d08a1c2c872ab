# SPDX-License-Identifier: MIT
"""Results compared: numbers, words, refusals."""

from __future__ import annotations

import json

import numpy as np
import pytest
from compared_results import result
from stroke_trains import Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.analysis.compare.beside import Beside
from rig.analysis.compare.compare_runs import compare_runs
from rig.analysis.compare.run_values import values_of
from rig.analysis.measure.marks import CUT_SHORT
from rig.config.sheet.compare import Compare
from rig.core.errors import UsageError
from rig.results.run_json import AboutRun, run_json

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
    assert found["difference_ms"] == pytest.approx(
        np.mean(after[1:]) - np.mean(before[1:]), abs=1e-5
    )
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
    # neither mounting nor pressure is known: a program reads that as a person does
    assert one["equivalent_if"] == found["equivalent_if"]
    assert one["equivalent_if"] == [
        "as they were mounted here", "if the pressure was alike, which a run does not know",
    ]  # fmt: skip
    assert all(told in found["words"][0] for told in one["equivalent_if"])
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
    assert found["equivalent_if"] == []
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
    assert "no difference of the valve is shown" in found["words"][0]
    assert one["real"] is False
    assert "ASTM D341" in found["oil"]
    assert "100 % of each time (as the sheet states)" in found["oil"]
    assert any(
        "oil temperature differs: 80 (stated), 60 (stated) degC" in note for note in found["notes"]
    )


def test_without_a_viscous_share_the_oil_explains_anything_between() -> None:
    thick = [x * 1.5 for x in normal(40, 2)]
    pair = result(1, normal(40, 1), oil=80.0), result(2, thick, oil=60.0)
    found = compared(*pair)
    oil = found["figures"]["response_ms"]["normalised"]
    assert oil["share_known"] is False
    assert oil["most_ms"] == pytest.approx(found["figures"]["response_ms"]["difference_ms"])
    assert oil["least_ms"] < oil["difference_ms"] < oil["most_ms"]
    said = found["words"][0]
    assert (
        "The oil temperature (80 against 60 degC) alone could explain anything from 0 to 27" in said
    )
    assert "That it is the valve's is not shown" in said
    assert found["figures"]["response_ms"]["real"] is None


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
    assert "Strokes after rest are in no run's mean" in notes
    assert "different sheets" in notes
    assert "response was rising" in notes
    assert "not independent" in notes
    assert "response of the first stroke after rest stands out" in notes
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


def pressure(kpa: float) -> dict[str, dict[str, object]]:
    return {"base_pressure": {"value": kpa, "unit": "kPa", "how": "typed"}}


def at(run: int, kpa: float | None, mean: float, seed: int, **known: object):
    conditions = {} if kpa is None else pressure(kpa)
    return result(run, normal(mean, seed), valve="V-1", conditions=conditions, **known)


def test_another_pressure_withholds_what_it_may_explain() -> None:
    found = compared(at(1, 290, 40, 1, by="A", mount=1), at(2, 360, 36, 2, by="A", mount=1))
    one = found["figures"]["response_ms"]
    assert one["p"] < 1e-6
    assert one["real"] is None
    assert one["allowed_for"]["mounting_sd_ms"] == 0
    (effect,) = one["allowed_for"]["effects"]
    # to the power of -2: 40 ms x ((290 / 360)^2 - 1) = -14.0 ms
    assert effect["low_ms"] == pytest.approx(-14.04, abs=0.2)
    assert effect["high_ms"] == 0
    assert (
        "pressure (290 against 360 kPa) alone could explain anything from -14" in found["words"][0]
    )
    alike = compared(at(1, 290, 40, 1, by="A", mount=1), at(2, 290, 36, 2, by="A", mount=1))
    assert alike["figures"]["response_ms"]["real"] is True
    assert "It is real, with conditions allowed for: " in alike["words"][0]


def test_an_unknown_pressure_or_mounting_withholds_and_says_how_much_would_do() -> None:
    found = compared(at(1, None, 40, 1), at(2, 300, 36, 2))
    one = found["figures"]["response_ms"]["allowed_for"]
    assert found["figures"]["response_ms"]["real"] is None
    assert one["not_known"] == ["pressure", "supply_voltage", "oil_temperature"]
    assert one["pressure_to_explain"] == pytest.approx((40 / 36) ** 0.5 - 1, abs=0.01)
    # 4 ms is 1.96 standard deviations of the difference of two mountings, sqrt(2) times one
    assert one["mounting_to_explain_ms"] == pytest.approx(4 / 1.96 / 2**0.5, abs=0.15)
    assert "the pressure of a run is not known" in found["words"][0].lower()
    assert "a spread between mountings of 1.4 ms" in found["words"][0]


def test_mountings_from_a_study_and_slopes_from_its_own_runs() -> None:
    pair = at(1, 290, 40, 1, by="A", mount=1), at(2, 360, 36, 2, by="A", mount=2)
    slopes = [
        at(10 + n, kpa, 40 - (kpa - 290) * 4 / 70, n) for n, kpa in enumerate((290, 330, 370))
    ]
    study = [
        at(20 + 2 * n + m, 300, 40 + 0.2 * m, 30 + n, by=who, mount=m)
        for n, who in enumerate("AB")
        for m in (1, 2)
    ]
    found = compare_runs(pair, NONE, OIL, Beside(slopes, study))
    one = found["figures"]["response_ms"]
    assert one["real"] is False
    assert one["allowed_for"]["effects"][0]["slope"] == "from runs 10, 11, 12"
    assert one["allowed_for"]["mounting"] == "repeatability of the rig study of runs 21, 22, 23, 24"
    assert "no difference of the valve is shown" in found["words"][0]
    for beside, told in (
        (Beside([*slopes, pair[0]]), "it would explain itself"),
        (Beside([slopes[0], slopes[0]]), "named twice"),
        (Beside([slopes[0] | {"valve": "V-7"}]), "Run 10 is of V-7"),
        (Beside([slopes[0] | {"source": "capture"}]), "another source"),
        (Beside(slopes[:1] + slopes[2:]), "Name at least 3 runs"),
        (Beside((), study[:2]), "two people"),
    ):
        with pytest.raises(UsageError, match=told):
            compare_runs(pair, NONE, OIL, beside)


def test_two_valves_are_said_first() -> None:
    found = compared(at(1, 300, 40, 1), result(2, normal(40, 2), valve="V-2"))
    assert found["words"][0].startswith("Two valves: run 1 is of V-1, run 2 is of V-2.")


def test_alike_holds_for_whatever_the_pressure_may_have_done() -> None:
    """A valve that became 3 ms slower at a pressure that makes it 3 ms faster is not alike."""
    settings = margins(response_margin="2 ms")
    found = compared(at(1, 290, 40, 1), at(2, 330, 40, 2), settings=settings)
    assert found["figures"]["response_ms"]["equivalent"] is None
    same = compared(at(1, 290, 40, 1), at(2, 290, 40, 2), settings=settings)
    assert same["figures"]["response_ms"]["equivalent"] is True
    assert "alike for the purpose (as they were mounted here): with 95 %" in same["words"][0]
    blind = compared(at(1, None, 40, 1), at(2, 290, 40, 2), settings=settings)
    assert "if the pressure was alike, which a run does not know" in blind["words"][0]


def test_a_batch_says_what_the_conditions_may_explain() -> None:
    runs = [at(1, 300, 40, 1), at(2, 300, 40.2, 2), at(3, 250, 52, 3), at(4, 300, 39.9, 4)]
    found = compared(*runs)
    row = found["batch"]["response_ms"]["ranked"][-1]
    assert (row["run"], row["outlier"]) == (3, True)
    assert row["explained_ms"] == [0, pytest.approx(40 * ((300 / 250) ** 2 - 1), abs=0.5)]
    assert "Its pressure (250 kPa, the others' median 300 kPa) could explain" in " ".join(
        found["words"]
    )


def test_a_comparison_is_of_the_strokes_that_each_runs_own_mean_is_of():
    """Doubtful ones are among them, and said; one that was cut short is not."""
    train = Train()
    for number, response in enumerate([50.0, 51.0, 50.5, 49.5, 50.2, 50.8, 58.0, 50.1], 1):
        early = [2.0, 3.0] if number == 7 else []  # it moves between command and coil
        at = 1000.0 * number
        train.stroke(number, at, at + 500, live=5.0, dead=4.0,
                     on_edges=[*early, 5.0 + response], off_edges=[34.0])  # fmt: skip
    train.end(9000.0)
    shown = run_json(analyse(train.build(), setup(), sheet(strokes=8)), AboutRun(run=1))
    assert shown["counts"]["doubtful"] == 1
    values = values_of(shown, "response_ms")
    assert values[6] == pytest.approx(58.0)
    assert np.nanmean(values) == pytest.approx(shown["summary"]["response_ms"]["mean"], abs=1e-5)
    shown["strokes"][3]["marks"] = [CUT_SHORT]
    assert np.isnan(values_of(shown, "response_ms")[3])
