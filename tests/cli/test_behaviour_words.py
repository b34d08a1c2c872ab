# SPDX-License-Identifier: MIT
"""A run's behaviour in sentences, and in lines for a program."""

from __future__ import annotations

import numpy as np
from compared_runs import log_times
from logged_runs import call

from rig.actions.load_results import results_of
from rig.cli.show import command as show
from rig.core import places
from rig.runlog.store import RunLog
from rig.text.behaviour import flat, sentences, strokes


def shape_of(folder, responses):
    return results_of([str(log_times(folder, responses))])[0].result


def steady(n, seed=1, mean=50.0):
    return [round(x, 3) for x in np.random.default_rng(seed).normal(mean, 1, n).tolist()]


def test_what_stands_out_is_said(rig_data):
    values = steady(60)
    values[0] += 20
    values[20] += 30
    values[40] += 30
    told = sentences(shape_of(rig_data, values))
    text = " ".join(told)
    assert told[0] == "Answered: 60 of 60: at least 95 % reliable with 95 % confidence."
    assert "Far from the others by their response (flagged, not left out): strokes " in text
    assert "21, 41." in text
    assert "consistent with a valve that sticks" in text
    assert "Expect 95 of 100 strokes like these to have a response between" in text
    assert "Cpk" in text
    assert "signals: one stroke beyond its limits (strokes 21, 41)" in text
    assert "at most 5 in 100" in text


def test_a_first_stroke_is_not_told_twice(rig_data):
    values = steady(40)
    values[0] += 20
    text = " ".join(sentences(shape_of(rig_data, values)))
    assert "First stroke after rest: its response is " in text
    assert "longer than is usual in this run" in text
    assert "flagged" not in text
    assert "sticks" not in text


def test_drift_level_and_alternation(rig_data):
    drift = [x + 0.3 * n for n, x in enumerate(steady(40))]
    text = " ".join(sentences(shape_of(rig_data, drift)))
    assert "The response was rising: +1" in text
    assert "changes its level" not in text  # a steady drift is no jump
    jumped = [x + 6 * (n >= 20) for n, x in enumerate(steady(40))]
    assert "changes its level at stroke 21" in " ".join(sentences(shape_of(rig_data, jumped)))
    swinging = [x + 4 * (n % 2) for n, x in enumerate(steady(40))]
    assert "alternate" in " ".join(sentences(shape_of(rig_data, swinging)))


def test_a_result_of_an_older_version_is_worked_out_again(rig_data):
    run = log_times(rig_data, steady(30))
    fresh = call(show, run, "--tsv").output
    with RunLog(places.log_path()) as log:
        older = {**results_of([str(run)])[0].result, "status": "of an older version"}
        del older["first_stroke"]
        log.save_result(run, older, "older")
    assert "older" not in fresh and call(show, run, "--tsv").output == fresh


def test_lines_for_a_program(rig_data):
    run = log_times(rig_data, steady(30))
    rows = dict(
        line.split("\t", 1)
        for line in call(show, run, "--tsv").output.split("\n\n")[0].splitlines()
    )
    assert rows["missed.of"] == "30"
    assert float(rows["missed.upper95"]) < 0.1
    assert len(rows["response_ms.tolerance_95_95"].split()) == 2
    assert rows["response_ms.percentiles.p95.ci95"].endswith(" -")
    assert rows["trend.response_ms.direction"] in ("none", "rising", "falling")
    assert "{" not in "".join(value for name, value in rows.items() if "charts" in name)


def test_flat_and_strokes():
    assert list(flat("a", {"b": [1, None], "c": {"d": True}})) == [("a.b", "1 -"), ("a.c.d", True)]
    signal = {"rule": "odd", "strokes": [3, 4]}
    assert list(flat("s", [signal])) == [("s.1", "odd: 3, 4")]
    assert strokes([4]) == "stroke 4"
    assert strokes([1, 2]) == "strokes 1, 2"
    assert strokes(list(range(1, 9))) == "8 strokes, first 1, 2, 3, 4, 5, 6 ..."
