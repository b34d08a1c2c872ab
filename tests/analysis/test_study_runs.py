# SPDX-License-Identifier: MIT
"""A rig study from results: numbers, words, refusals."""

from __future__ import annotations

import json

import numpy as np
import pytest
from compared_results import result

from rig.analysis.compare.repeatability import anova, average_range, one_valve
from rig.analysis.compare.study_runs import limits_of, rating, study_runs
from rig.core.errors import UsageError
from rig.core.figures import FIGURES

LIMIT = [{"figure": "response", "max": "80 ms"}]


def runs_of(values: dict[tuple[str | None, str], list[float]]):
    """One run of five strokes a mounting, with this mean response."""
    found, run = [], 0
    for (valve, person), means in values.items():
        for mount, mean in enumerate(means, 1):
            run += 1
            times = [mean + d for d in (-1.0, -0.5, 0.0, 0.5, 1.0)]
            found.append(result(run, times, valve=valve, by=person, mount=mount, accept=LIMIT))
    return found


def accepts():
    from stroke_trains import sheet

    return sheet(accept=LIMIT).accept


ONE = {("V-1", "Ann"): [50.0, 50.6, 50.2], ("V-1", "Ben"): [51.0, 51.4, 51.1]}


def test_one_valve_two_people() -> None:
    found = study_runs(runs_of(ONE), accepts())
    json.dumps(found, allow_nan=False)
    assert found["people"] == ["Ann", "Ben"]
    assert found["mountings"] == 6
    one = found["figures"]["response_ms"]
    expected, ranges = anova([list(ONE.values())]), average_range([list(ONE.values())])
    assert one["anova"]["repeatability_ms"] == pytest.approx(expected.parts.repeatability, abs=1e-5)
    assert one["anova"]["reproducibility_ms"] == pytest.approx(
        expected.parts.reproducibility, abs=1e-5
    )
    assert one["average_range"]["grr_ms"] == pytest.approx(ranges.parts.rig, abs=1e-5)
    assert one["anova"]["grr_pct"] is None
    assert one["anova"]["ndc"] is None
    mean = np.mean([x for means in ONE.values() for x in means])
    pt = 100 * 3 * expected.parts.rig / (80 - mean)
    assert one["anova"]["precision_to_tolerance_pct"] == pytest.approx(pt, abs=1e-3)
    assert one["limits"] == [None, 80]
    assert one["rating"] == "good"
    assert one["rated_by"] == "limits"
    assert one["within_run_sd_ms"] == pytest.approx(np.std([-1, -0.5, 0, 0.5, 1], ddof=1))
    said = " ".join(found["words"])
    assert "for this limit the rig is good" in said
    assert "need two valves or more" in said
    assert "no limit for the release" in said


def test_several_valves_show_their_own_spread() -> None:
    rng = np.random.default_rng(3)
    cells = {
        (valve, person): [round(mean + float(x), 3) for x in rng.normal(0, 0.2, 2)]
        for valve, mean in (("V-1", 45), ("V-2", 50), ("V-3", 55))
        for person in ("Ann", "Ben")
    }
    found = study_runs(runs_of(cells), ())
    one = found["figures"]["response_ms"]
    assert one["anova"]["ndc"] > 5
    assert one["anova"]["grr_pct"] < 10
    assert one["anova"]["pooled"] in (True, False)
    assert one["rated_by"] == "valves"
    assert one["rating"] == "good"
    assert one["average_range"]["ndc"] > 5


def test_unequal_mountings_of_one_valve() -> None:
    values = {("V-1", "Ann"): [50.0, 50.6, 50.2], ("V-1", "Ben"): [51.0]}
    found = study_runs(runs_of(values), ())["figures"]["response_ms"]
    assert found["average_range"] is None
    expected = one_valve(list(values.values()))
    assert found["anova"]["repeatability_ms"] == pytest.approx(
        expected.parts.repeatability, abs=1e-5
    )


def test_two_runs_of_one_mounting_are_one_measurement() -> None:
    runs = runs_of(ONE)
    again = {**runs[0], "run": 99}
    assert study_runs([*runs, again], ())["figures"] == study_runs(runs, ())["figures"]


def test_a_limit_without_room() -> None:
    values = {key: [x + 40 for x in means] for key, means in ONE.items()}
    found = study_runs(runs_of(values), accepts())
    assert found["figures"]["response_ms"]["anova"]["precision_to_tolerance_pct"] is None
    assert "lies beyond its limit" in " ".join(found["words"])


def test_a_figure_without_numbers_is_left_out() -> None:
    runs = runs_of(ONE)
    runs[0] = {**runs[0], "strokes": [{**s, "release_ms": None} for s in runs[0]["strokes"]]}
    found = study_runs(runs, ())
    assert found["figures"]["release_ms"] is None
    assert found["figures"]["response_ms"] is not None
    assert "The release cannot be studied" in " ".join(found["words"])


def test_refusals() -> None:
    runs = runs_of(ONE)
    alone = [run for run in runs if run["by"] == "Ann"]
    once = [run for run in runs if run["mount"] == 1]
    uneven = runs_of({**ONE, ("V-2", "Ann"): [50.0, 50.1, 50.2]})
    cases = [
        ([runs[0], {**runs[1], "source": "simulated"}], "different sources"),
        ([runs[0], runs[0]], "named twice"),
        ([{**runs[0], "by": None}, *runs[1:]], "--by NAME --mount N"),
        ([{**runs[0], "mount": None}, *runs[1:]], "not known for run 1"),
        ([{**runs[0], "valve": None}, *runs[1:]], "some do not"),
        ([{**runs[0], "status": "tripped"}, *runs[1:]], "no finished run"),
        (alone, "two people"),
        (once, "mounted twice"),
        (uneven, "V-1 by Ben: 3, V-2 by Ann: 3"),
    ]
    for given, told in cases:
        with pytest.raises(UsageError, match=told):
            study_runs(given, ())


def test_ratings_and_limits() -> None:
    assert [rating(x) for x in (None, 9.9, 10, 30, 31)] == [
        None, "good", "usable", "usable", "not good enough",
    ]  # fmt: skip
    assert limits_of(accepts(), FIGURES["response"]) == (None, pytest.approx(80))
    assert limits_of(accepts(), FIGURES["release"]) == (None, None)
