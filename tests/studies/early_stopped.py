# SPDX-License-Identifier: MIT
"""Runs that stop early by Wald's test, with a known share of failing strokes."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from drawn_rigs import draw_rig, recording, setup, times
from scipy.stats import norm

from rig.analysis.analyse import analyse
from rig.analysis.verdict.early_stop_test import FEW, MANY, EarlyStopCount, sequential
from rig.config.sheet.model import StrokesSheet
from rig.core.records import STOPPED_EARLY, Condition
from rig.results.run_json import run_json

MOST = 200


class Stopped(NamedTuple):
    """One run: how it was decided, after how many strokes, and whether the interval of its mean
    covers the truth."""

    decision: str
    strokes: int
    covered: bool


def page(limit_ms: float, **keys: object) -> StrokesSheet:
    return StrokesSheet.model_validate({
        "kind": "strokes", "strokes": MOST, "on_time": "500 ms", "rest": "500 ms",
        "accept": [{"figure": "response", "max": f"{limit_ms} ms"}],
        "early_stop": {"acceptable": "1 %", "unacceptable": "10 %"} | keys,
    })  # fmt: skip


def one(share: float, rng: np.random.Generator, *, sd_ms: float = 2.0) -> Stopped:
    """A drawn rig of whose strokes the share `share` is truly beyond the limit."""
    rig = draw_rig(rng, readback=True, sd_ms=sd_ms)
    shown = rig.response_ms + rig.added_ms[0]
    sheet = page(float(shown + norm.isf(share) * sd_ms))
    assert sheet.early_stop is not None
    count = EarlyStopCount(sheet.early_stop, sheet.accept)
    response, release = times(rig, MOST, rng)
    done = MOST
    for place, value in enumerate(response + rig.added_ms[0], 1):
        stroke = {"answered": True, "response_ms": value, "release_ms": 30.0}
        if count.stroke(stroke) is not None:
            done = place
            break
    made = recording(rig, response[:done], release[:done], readback=True)
    if done < MOST:
        end = made.commands.t_ns[-1]
        made.conditions.append(Condition(STOPPED_EARLY, int(end) + 1, "decided"))
    shape = run_json(analyse(made, setup(readback=True), sheet))
    assert shape["sequential"]["failed"] == count.failed  # afterwards as it was seen live
    low, high = shape["summary"]["response_ms"]["interval95"]
    decision = sequential(done, count.failed, sheet.early_stop).decision
    return Stopped(decision, done, low <= rig.response_ms <= high)


def wrong(found: list[Stopped], share: float) -> int:
    """Runs that stopped with the wrong belief."""
    belief = MANY if share <= 0.01 else FEW
    return sum(one.decision == belief for one in found)
