# SPDX-License-Identifier: MIT
"""The figures of a run as input to the verdict: numbers, their spread, and what is doubtful."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from rig.analysis.measure import marks
from rig.analysis.measure.hold import HoldResult
from rig.analysis.measure.ramp import RampTable
from rig.analysis.measure.stroke_table import StrokeTable
from rig.analysis.measure.stroke_windows import Reference
from rig.analysis.stats.uncertainty import Budget
from rig.analysis.verdict.budgets import of_one_stroke
from rig.analysis.verdict.evaluate import Measured
from rig.core.figures import figures_of
from rig.core.recording import Bool, Float

ALIKE, WIDTHS, NARROWEST = 0.01, 1.05, 1e-3
"""Time stamps are equally good within this share; budgets of single strokes come in widths of this
ratio, down to this share of the widest."""


def measured(
    table: StrokeTable,
    reference: Reference,
    held: HoldResult | None,
    ramps: RampTable | None,
    whole_run: tuple[str, ...],
    budgets: Mapping[str, Budget],
    bounces_ms: tuple[Float, Float] | None = None,
) -> dict[str, Measured]:
    """Every figure of this run.

    `whole_run` are the marks of the run: where one of them makes numbers doubtful and no single
    stroke carries it, all numbers are doubtful. `budgets` are those of
    rig.analysis.verdict.budgets."""
    all_doubtful = bool(set(marks.doubtful(whole_run)) - set(marks.STROKE_MARKS))
    found = _of_strokes(table, reference, table.doubtful | all_doubtful, budgets, bounces_ms)
    if ramps is not None:
        found |= _of_ramps(ramps, ramps.doubtful | all_doubtful, budgets)
    if held is not None:
        found["decay_rate"] = _of_hold(held, all_doubtful, budgets)
    return found


def _of_strokes(
    table: StrokeTable,
    reference: Reference,
    doubtful: Bool,
    budgets: Mapping[str, Budget],
    bounces_ms: tuple[Float, Float] | None,
) -> dict[str, Measured]:
    # a missed stroke is judged as missed, not as a missing number
    expected = ~table.missed
    on, off = bounces_ms or (np.zeros(len(table)), np.zeros(len(table)))
    of_coil = {
        "response_ms": (reference.response_ms, table.response_half_ms, on),
        "release_ms": (reference.release_ms, table.release_half_ms, off),
    }
    found = {}
    for key, figure in figures_of("strokes").items():
        value, single = table.figure(key), budgets.get(f"single_{key}")
        delay, half_ms, bounce = of_coil.get(key, (0.0, np.zeros(len(table)), None))
        one = Measured.of(
            # a figure without a worked-out uncertainty decides nothing
            value, table.number, doubtful | (single is None and key not in of_coil),
            expected=expected,
            # relay delay not known: the lower side stays open
            below=np.inf if delay is None else delay,
            single=single, mean=budgets.get(key), after_rest=~table.steady,
        )  # fmt: skip
        known = np.isfinite(value)
        found[figure.name] = replace(
            _each_as_stamped(one, half_ms[known]), shorter=None if bounce is None else bounce[known]
        )
    both = np.concatenate((_counts(table.bounce_on), _counts(table.bounce_off)))
    found["bounce"] = Measured.of(
        both, np.tile(table.number, 2), np.tile(doubtful, 2), after_rest=np.tile(~table.steady, 2)
    )
    return found


def _each_as_stamped(measured: Measured, half_ms: Float) -> Measured:
    """A budget for each width that the stamps leave open (`half_ms` (n,), either way), rounded up
    to steps of a twentieth; a single budget where all are alike."""
    if measured.single is None or len(half_ms) < 2 or np.ptp(half_ms) <= ALIKE * half_ms.max():
        return measured
    least = max(float(half_ms.max()) * NARROWEST, 1e-6)
    step = np.ceil(np.log(np.maximum(half_ms / least, 1.0)) / np.log(WIDTHS) - 1e-9)
    steps, kind = np.unique(step, return_inverse=True)
    singles = tuple(of_one_stroke(measured.single, least * WIDTHS**one) for one in steps.tolist())
    return replace(measured, singles=singles, kind=kind)


def _counts(bounce: np.typing.NDArray[np.int64]) -> Float:
    return np.where(bounce < 0, np.nan, bounce)


def _of_ramps(
    ramps: RampTable, doubtful: Bool, budgets: Mapping[str, Budget]
) -> dict[str, Measured]:
    every = np.ones(len(ramps), np.bool_)
    return {
        figure.name: Measured.of(
            ramps.figure(key), ramps.number, doubtful, expected=every, each_of="ramp",
            single=budgets.get(f"single_{key}"), mean=budgets.get(key),
        )
        for key, figure in figures_of("ramp").items()
    }  # fmt: skip


def _of_hold(held: HoldResult, all_doubtful: bool, budgets: Mapping[str, Budget]) -> Measured:
    rate = held.decay_rate_kpa_s
    found = Measured.of(
        np.array([np.nan if rate is None else rate]),
        np.array([1]),
        np.array([all_doubtful or bool(marks.doubtful(held.marks))]),
        expected=np.array([True]),
        each_of="hold",
        single=budgets.get("decay_rate_kpa_s"),
    )
    return replace(found, open_because=held.open_because, at_least=held.at_least_kpa_s)
