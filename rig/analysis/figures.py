# SPDX-License-Identifier: MIT
"""The figures of a run as the verdict takes them: numbers, their span, and what is doubtful."""

from __future__ import annotations

import numpy as np

from rig.analysis import marks
from rig.analysis.hold import HoldResult
from rig.analysis.limits import Measured
from rig.analysis.ramp import RampTable
from rig.analysis.strokes import StrokeTable
from rig.analysis.windows import Reference
from rig.core.recording import Bool, Float

COVERAGE = 2.0
"""Standard errors taken to either side of a decay rate (about 95 %, JCGM 100:2008, 6.3.3)."""


def measured(
    table: StrokeTable,
    reference: Reference,
    held: HoldResult | None,
    ramps: RampTable | None,
    whole_run: tuple[str, ...],
) -> dict[str, Measured]:
    """Every figure that this run has. `whole_run` are the marks of the run: where one of them
    makes numbers doubtful that no single stroke carries, all are doubtful."""
    all_doubtful = bool(set(marks.doubtful(whole_run)) - set(marks.STROKE_MARKS))
    found = _of_strokes(table, reference, table.doubtful | all_doubtful)
    if ramps is not None:
        found |= _of_ramps(ramps, ramps.doubtful | all_doubtful)
    if held is not None:
        found["decay_rate"] = _of_hold(held, all_doubtful)
    return found


def _of_strokes(table: StrokeTable, reference: Reference, doubtful: Bool) -> dict[str, Measured]:
    # a missed stroke is judged as missed, not as a number that is lacking
    expected = ~table.missed
    infinite = np.inf  # relay delay not known: nothing can be said of the lower side
    spans = {
        "response": (table.response_ms, reference.response_ms),
        "release": (table.release_ms, reference.release_ms),
    }
    found = {
        name: Measured.of(
            value, table.number, doubtful, expected=expected,
            below=np.minimum(np.nan_to_num(value), infinite if delay is None else delay),
        )
        for name, (value, delay) in spans.items()
    }  # fmt: skip
    both = np.concatenate((_counts(table.bounce_on), _counts(table.bounce_off)))
    found["bounce"] = Measured.of(both, np.tile(table.number, 2), np.tile(doubtful, 2))
    return found


def _counts(bounce: np.typing.NDArray[np.int64]) -> Float:
    return np.where(bounce < 0, np.nan, bounce)


def _of_ramps(ramps: RampTable, doubtful: Bool) -> dict[str, Measured]:
    columns = {
        "actuation_pressure": ramps.actuation_kpa,
        "reset_pressure": ramps.reset_kpa,
        "differential": ramps.differential_kpa,
    }
    every = np.ones(len(ramps), np.bool_)
    return {
        name: Measured.of(value, ramps.number, doubtful, expected=every, each_of="ramp")
        for name, value in columns.items()
    }


def _of_hold(held: HoldResult, all_doubtful: bool) -> Measured:
    rate, error = held.decay_rate_kpa_s, held.standard_error_kpa_s
    span = COVERAGE * error if error is not None else 0.0
    return Measured.of(
        np.array([np.nan if rate is None else rate]),
        np.array([1]),
        np.array([all_doubtful or bool(marks.doubtful(held.marks))]),
        below=span,
        above=span,
        expected=np.array([True]),
        each_of="hold",
    )
