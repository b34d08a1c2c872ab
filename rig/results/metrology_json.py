# SPDX-License-Identifier: MIT
"""Budgets, stroke pressures and switch figures as JSON."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from rig.analysis.measure.pressure_rise_fall import FIGURES, PressureTable
from rig.analysis.measure.switch_figures import BOUNCE_EDGES_MS, Bounce, SwitchFigures
from rig.analysis.stats.summary import summarise
from rig.analysis.stats.uncertainty import Budget
from rig.core.recording import Float

DIGITS = 6


def known(value: float | None, digits: int = DIGITS) -> float | None:
    """A float with this many decimals; None for "not known" in any form."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits)


def budget_json(budget: Budget) -> dict[str, Any]:
    """One budget with all its lines. `dof` is null for infinitely many."""
    return {
        "figure": budget.figure,
        "unit": budget.unit,
        "value": known(budget.value),
        "correction": known(budget.correction),
        "lines": [
            {
                "name": line.name,
                "value": known(line.value, 9),
                "unit": line.unit,
                "distribution": line.distribution,
                "u": known(line.u, 9),
                "sensitivity": known(line.sensitivity, 9),
                "dof": known(line.dof),
                "part": known(line.part, 9),
                "note": line.note,
            }
            for line in budget.lines
        ],
        "correlations": [
            {"lines": list(pair), "r": known(r)} for pair, r in budget.correlations.items()
        ],
        **expanded_json(budget),
        "method": budget.method,
        "coverage": budget.coverage,
    }


def expanded_json(budget: Budget | None) -> dict[str, Any]:
    """The best value, u, k, U, dof and the interval; all null without a budget."""
    if budget is None:
        return dict.fromkeys(("best", "u", "k", "U", "dof", "interval95"))
    return {
        "best": known(budget.best),
        "u": known(budget.u),
        "k": known(budget.k, 4),
        "U": known(budget.expanded),
        "dof": known(budget.dof, 3),
        "interval95": [known(budget.low), known(budget.high)],
    }


def mean_json(values: Float, budget: Budget | None) -> dict[str, Any]:
    """Keys added to a summary of `values` (n,) with NaN for none: standard error of the mean, its
    95 % confidence interval from the scatter alone (Student's t), and the budget's figures."""
    from rig.analysis.stats.uncertainty import coverage_factor

    found = summarise(values)
    shape: dict[str, Any] = {"sem": None, "ci95": None}
    if found.n > 1 and found.sd is not None and found.mean is not None:
        sem = found.sd / math.sqrt(found.n)
        half = coverage_factor(found.n - 1) * sem
        shape = {"sem": known(sem), "ci95": [known(found.mean - half), known(found.mean + half)]}
    return shape | expanded_json(budget)


def pressures_json(table: PressureTable | None, n: int) -> list[dict[str, Any] | None]:
    """The `pressure` of each of `n` strokes; None for all of them without a gauge."""
    if table is None:
        return [None] * n
    columns = {name: _floats(table.columns[name], 4) for name in FIGURES}
    limits = {
        name: list(zip(_floats(least, 4), _floats(most, 4), strict=True))
        for name, (least, most) in table.bounds.items()
    }
    rows: list[dict[str, Any] | None] = []
    for row in range(n):
        shape: dict[str, Any] = {name: column[row] for name, column in columns.items()}
        shape["note"] = table.note(row)
        shape["bounds"] = {
            name: list(pair[row]) for name, pair in limits.items() if pair[row][0] is not None
        }
        rows.append(shape)
    return rows


def _floats(values: Float, digits: int) -> list[float | None]:
    finite = np.isfinite(values)
    rounded = np.round(np.where(finite, values, 0.0), digits).tolist()
    return [v if ok else None for v, ok in zip(rounded, finite.tolist(), strict=True)]


def switch_json(figures: SwitchFigures) -> dict[str, Any]:
    """Bounce each way, chatter, and the pressures at which the switch changed in strokes."""
    at = figures.at_switch
    return {
        "bounce_on": _bounce_json(figures.bounce_on),
        "bounce_off": _bounce_json(figures.bounce_off),
        "chatter": {
            "strokes": figures.chatter.strokes,
            "edges": figures.chatter.edges,
            "of": figures.chatter.of,
        },
        "in_strokes_kpa": {
            name: {
                key: known(value, 4) if key != "n" else value
                for key, value in summarise(values)._asdict().items()
            }
            for name, values in (
                ("on", at.on),
                ("off", at.off),
                ("differential", at.differential),
            )
        },
    }


def _bounce_json(bounce: Bounce) -> dict[str, Any]:
    return {
        "n": bounce.n,
        "clean": bounce.clean,
        "mean_ms": known(bounce.mean_ms),
        "median_ms": known(bounce.median_ms),
        "p95_ms": known(bounce.p95_ms),
        "max_ms": known(bounce.max_ms),
        "edges_max": bounce.edges_max,
        "up_to_ms": list(BOUNCE_EDGES_MS),
        "counts": list(bounce.counts),
    }
