# SPDX-License-Identifier: MIT
"""Results of runs with chosen times, through the real analysis, and the same as stored runs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from stroke_trains import Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.results.run_json import AboutRun, run_json

Times = Sequence[float | None]


def recorded(responses: Times, releases: Times | None = None, source: str = "board") -> Train:
    """Strokes of 1 s; a response of None is a missed stroke."""
    train = Train(source)
    falls = releases if releases is not None else [30.0] * len(responses)
    for number, (response, release) in enumerate(zip(responses, falls, strict=True), 1):
        at = 1000.0 * number
        train.stroke(
            number, at, at + 500, live=5.0, dead=4.0,
            on_edges=[] if response is None else [5.0 + response],
            off_edges=[] if response is None or release is None else [4.0 + release],
        )  # fmt: skip
    train.end(1000.0 * (len(responses) + 1))
    return train


def result(run: int, responses: Times, releases: Times | None = None, **known: Any):
    """The JSON of a run. `known`: source, valve, by, mount, oil (degC), accept, sheet_hash,
    conditions."""
    source, oil = known.pop("source", "board"), known.pop("oil", None)
    conditions = dict(known.pop("conditions", {}))
    if oil is not None:
        conditions["oil_temperature"] = {"value": oil, "unit": "degC", "how": "typed"}
    used = sheet(strokes=len(responses), accept=known.pop("accept", None))
    found = analyse(recorded(responses, releases, source).build(), setup(), used, conditions)
    stated = {"sheet_hash": "s", "setup_hash": "t", **known}
    return run_json(found, AboutRun(run=run, conditions=conditions, **stated))
