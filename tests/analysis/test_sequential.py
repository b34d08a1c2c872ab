# SPDX-License-Identifier: MIT
"""Wald's sequential test: its bounds, its risks by exact recursion, and what counts as failing."""

from __future__ import annotations

import math

import numpy as np
import pytest
from stroke_trains import Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.analysis.verdict.early_stop_test import FEW, GO_ON, MANY, EarlyStopCount, fails, sequential
from rig.config.sheet.model import EarlyStop
from rig.core.records import STOPPED_EARLY, Condition
from rig.results.run_json import run_json

MS = 1_000_000
PLAN = EarlyStop(acceptable="1 %", unacceptable="10 %", alpha="5 %", beta="5 %", least=1)
GOOD = {"number": 2, "answered": True, "response_ms": 50.0, "release_ms": 30.0, "bounce_on": 0,
        "bounce_off": 0}  # fmt: skip


def test_bounds_and_ratio():
    """Wald (1947), 5.2: log((1 - beta) / alpha), log(beta / (1 - alpha)); each failing stroke adds
    log(p1 / p0), each good one log((1 - p1) / (1 - p0))."""
    found = sequential(10, 1, PLAN)
    assert found.upper == pytest.approx(math.log(19))
    assert found.lower == pytest.approx(-math.log(19))
    assert found.ratio == pytest.approx(math.log(10) + 9 * math.log(0.9 / 0.99))
    assert found.decision == GO_ON


def test_when_it_stops():
    without = [n for n in range(1, 100) if sequential(n, 0, PLAN).decision == FEW]
    assert without[0] == math.ceil(math.log(19) / math.log(0.99 / 0.9)) == 31
    assert sequential(2, 2, PLAN).decision == MANY
    patient = PLAN.model_copy(update={"least": 40})
    assert sequential(31, 0, patient).decision == GO_ON
    assert sequential(40, 0, patient).decision == FEW
    with pytest.raises(ValueError, match="cannot have failed"):
        sequential(3, 4, PLAN)


@pytest.mark.parametrize(("share", "wrong", "bound"), [(0.01, MANY, 0.0527), (0.10, FEW, 0.0527)])
def test_the_risks_are_those_that_were_stated(share, wrong, bound):
    """The exact chance of stopping with the wrong belief, by the binomial recursion over all paths
    (no simulation), is at most Wald's alpha / (1 - beta), and the expected number of strokes is
    near Wald's approximation."""
    going, decided, expected = np.array([1.0]), {FEW: 0.0, MANY: 0.0}, 0.0
    for n in range(1, 3000):
        moved = np.zeros(n + 1)
        moved[:n] += going * (1 - share)
        moved[1:] += going * share
        for failed in range(n + 1):
            decision = sequential(n, failed, PLAN).decision if moved[failed] > 1e-15 else GO_ON
            if decision != GO_ON:
                decided[decision] += moved[failed]
                expected += n * moved[failed]
                moved[failed] = 0.0
        going = moved
        if going.sum() < 1e-9:
            break
        going = going[: max(60, 1)] if n > 60 else going
        if len(going) < n + 1:  # failing strokes beyond these were decided long ago
            going = np.concatenate((going, np.zeros(n + 1 - len(going))))
    assert sum(decided.values()) == pytest.approx(1.0, abs=1e-6)
    assert decided[wrong] <= bound
    step = share * math.log(10) + (1 - share) * math.log(0.9 / 0.99)
    right = -math.log(19) if share == 0.01 else math.log(19)
    assert expected == pytest.approx((0.9 * right) / step, rel=0.35)


def test_what_counts_as_failing():
    accepts = sheet(
        accept=[
            {"figure": "response", "max": "60 ms"}, {"figure": "bounce", "max": 2},
            {"figure": "release", "of": "mean", "max": "1 ms"}, {"figure": "missed", "max": 0},
        ]
    ).accept  # fmt: skip
    assert not fails(GOOD, accepts)
    assert fails(GOOD | {"answered": False}, accepts)
    assert fails(GOOD | {"response_ms": 61.0}, accepts)
    assert fails(GOOD | {"response_ms": None}, accepts)
    assert fails(GOOD | {"bounce_off": 3}, accepts)
    assert not fails(GOOD | {"release_ms": 500.0}, accepts)  # a limit of the mean is no stroke's
    assert not fails(GOOD | {"response_ms": None}, ())


def test_a_limit_for_strokes_after_rest_is_that_of_the_first_stroke_alone():
    of_rest = {"figure": "response", "strokes": "rest", "max": "40 ms"}
    accepts = sheet(accept=[of_rest]).accept
    assert fails(GOOD | {"number": 1}, accepts)
    assert not fails(GOOD, accepts)
    accepts = sheet(accept=[of_rest | {"strokes": "steady"}]).accept
    assert fails(GOOD, accepts)
    assert not fails(GOOD | {"number": 1}, accepts)


def test_it_says_so_once():
    count = EarlyStopCount(PLAN, ())
    said = [count.stroke(GOOD) for _ in range(60)]
    assert [n for n, words in enumerate(said, 1) if words] == [31]
    assert said[30] == (
        "0 of 31 strokes failed: the share that fails lies below 10 % with about 5 % risk of being "
        "wrong (Wald's test)"
    )
    many = EarlyStopCount(PLAN, ())
    assert many.stroke(GOOD | {"answered": False}) is None
    assert "2 of 2 strokes failed: the share that fails lies above 1 %" in many.stroke(
        GOOD | {"answered": False}
    )


def test_an_early_stopped_run_is_complete_and_says_that_it_was():
    train = Train()
    for number in range(1, 4):
        at = 1000.0 * number
        train.stroke(number, at, at + 500, live=8, dead=4, on_edges=[58], off_edges=[34])
    whole = {"strokes": 50, "accept": [{"figure": "response", "max": "80 ms"}],
             "early_stop": {"least": 3}}  # fmt: skip
    records = train._records.copy()
    train.add(Condition(STOPPED_EARLY, 4000 * MS, "decided"))
    train.end(4000)
    shape = run_json(analyse(train.build(), setup(), sheet(**whole)))
    assert shape["verdict"]["result"] == "conforms"
    assert STOPPED_EARLY in shape["marks"]
    assert shape["doubtful"] == []
    assert [stroke["marks"] for stroke in shape["strokes"]] == [[], [], []]
    assert shape["sequential"]["n"] == 3
    assert shape["sequential"]["failed"] == 0
    # without the condition the same run is too short
    train._records = records
    train.end(4000)
    short = run_json(analyse(train.build(), setup(), sheet(**whole)))
    assert short["verdict"]["result"] == "undecided"
    assert "Only 3 of 50 strokes were recorded." in short["verdict"]["why"]
