# SPDX-License-Identifier: MIT
"""Budgets, stroke pressures and switch figures as JSON."""

from __future__ import annotations

import math
from typing import cast

from rig.analysis.measure.pressure_rise_fall import FIGURES, PressureTable
from rig.analysis.measure.switch_figures import BOUNCE_EDGES_MS, Bounce, SwitchFigures
from rig.analysis.stats.summary import Summary, summarise
from rig.analysis.stats.uncertainty import Budget, coverage_factor
from rig.core.results import metrology, run
from rig.results.numbers import KPA_DIGITS, MS_DIGITS, floats, number


def budget_json(budget: Budget) -> metrology.Budget:
    """One budget with all its lines."""
    return {
        "figure": budget.figure,
        "unit": budget.unit,
        "value": number(budget.value),
        "correction": number(budget.correction),
        "lines": [
            {
                "name": line.name,
                "value": number(line.value, 9),
                "unit": line.unit,
                "distribution": line.distribution,
                "u": number(line.u, 9),
                "sensitivity": number(line.sensitivity, 9),
                "dof": number(line.dof),
                "part": number(line.part, 9),
                "note": line.note,
            }
            for line in budget.lines
        ],
        "correlations": [
            {"lines": list(pair), "r": number(r)} for pair, r in budget.correlations.items()
        ],
        "best": number(budget.best),
        "u": number(budget.u),
        "k": number(budget.k, 4),
        "U": number(budget.expanded),
        "dof": number(budget.dof, 3),
        "interval95": [number(budget.low), number(budget.high)],
        "method": budget.method,
        "coverage": budget.coverage,
    }


def expanded_json(budget: metrology.Budget | None) -> metrology.Expanded:
    """The best value with its uncertainty; all null without a budget."""
    if budget is None:
        return {"best": None, "u": None, "k": None, "U": None, "dof": None, "interval95": None}
    return {
        "best": budget["best"],
        "u": budget["u"],
        "k": budget["k"],
        "U": budget["U"],
        "dof": budget["dof"],
        "interval95": [*budget["interval95"]],
    }


def statistics_json(found: Summary, digits: int = MS_DIGITS) -> metrology.Statistics:
    """n, mean, sd, min, median, max."""
    return {
        "n": found.n,
        "mean": number(found.mean, digits),
        "sd": number(found.sd, digits),
        "min": number(found.min, digits),
        "median": number(found.median, digits),
        "max": number(found.max, digits),
    }


def mean_json(found: Summary, budget: metrology.Budget | None) -> metrology.Mean:
    """The uncertainty of the mean, from the scatter and from the budget."""
    sem, ci95 = None, None
    if found.n > 1 and found.sd is not None and found.mean is not None:
        sem = found.sd / math.sqrt(found.n)
        half = coverage_factor(found.n - 1) * sem
        ci95 = [number(found.mean - half), number(found.mean + half)]
    return {"sem": number(sem), "ci95": ci95, **expanded_json(budget)}


def pressures_json(table: PressureTable | None, n: int) -> list[run.StrokePressure | None]:
    """The `pressure` of each of `n` strokes; None for all of them without a gauge."""
    if table is None:
        return [None] * n
    columns = {name: floats(table.columns[name], KPA_DIGITS) for name in FIGURES}
    limits = {
        name: list(zip(floats(least, KPA_DIGITS), floats(most, KPA_DIGITS), strict=True))
        for name, (least, most) in table.bounds.items()
    }
    rows = [
        {name: column[row] for name, column in columns.items()}
        | {
            "note": table.note(row),
            "bounds": {
                name: list(pair[row]) for name, pair in limits.items() if pair[row][0] is not None
            },
        }
        for row in range(n)
    ]
    return cast("list[run.StrokePressure | None]", rows)


def switch_json(figures: SwitchFigures) -> run.Switch:
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
            name: statistics_json(summarise(getattr(at, name)), KPA_DIGITS)
            for name in ("on", "off", "differential")
        },
    }


def _bounce_json(bounce: Bounce) -> run.Bounce:
    return {
        "n": bounce.n,
        "clean": bounce.clean,
        "mean_ms": number(bounce.mean_ms),
        "median_ms": number(bounce.median_ms),
        "p95_ms": number(bounce.p95_ms),
        "max_ms": number(bounce.max_ms),
        "edges_max": bounce.edges_max,
        "up_to_ms": list(BOUNCE_EDGES_MS),
        "counts": list(bounce.counts),
    }
