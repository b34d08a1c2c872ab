# SPDX-License-Identifier: MIT
"""Results as JSON. Unknown numbers are null; NaN and infinity never leave the program."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, cast

from rig.analysis.analyse import RunResult
from rig.analysis.measure import marks
from rig.analysis.measure.hold import HoldResult
from rig.analysis.measure.ramp import RampTable
from rig.analysis.measure.sampling import channels_json, engine_json
from rig.analysis.measure.stroke_table import StrokeTable
from rig.analysis.stats.summary import summarise
from rig.analysis.verdict.early_stop_test import Sequential
from rig.analysis.verdict.limits import Limit as Judged
from rig.core.figures import figures_of
from rig.core.json_values import plain
from rig.core.message_ids import message_id, trip_id
from rig.results.calibration_json import calibration_json, timing_json
from rig.results.coil_json import signature_json, stroke_current_json
from rig.results.metrology_json import (
    budget_json,
    expanded_json,
    mean_json,
    pressures_json,
    statistics_json,
    switch_json,
)
from rig.results.numbers import KPA_DIGITS, MS_DIGITS, floats, number

if TYPE_CHECKING:
    from rig.analysis.verdict.behaviour import FigureBehaviour
    from rig.core.recording import Int64
    from rig.core.records import Source
    from rig.core.results.behaviour import Outliers, Spread
    from rig.core.results.coil import StrokeCurrent
    from rig.core.results.metrology import Budget, Summary
    from rig.core.results.run import (
        Conditions,
        EarlyStop,
        Hold,
        Limit,
        OneRamp,
        Ramp,
        Reference,
        Result,
        Rule,
        Stroke,
        StrokePressure,
    )


@dataclass(frozen=True)
class AboutRun:
    """Facts about a run besides its recording; unknown ones are left out."""

    run: int | None = None
    seed: int | None = None
    setup_hash: str | None = None
    sheet_hash: str | None = None
    valve: str | None = None
    job: str | None = None
    by: str | None = None
    mount: int | None = None
    note: str = ""
    conditions: Conditions = field(default_factory=dict)
    watched: Sequence[Rule] = ()
    not_watched: Sequence[Rule] = ()
    software: str | None = None
    purpose: str | None = None


NOTHING_KNOWN = AboutRun()


def run_json(result: RunResult, about: AboutRun = NOTHING_KNOWN) -> Result:
    """The JSON object of a run."""
    trip, end = result.trip, result.end
    deciding, table, behaviour = result.verdict.deciding, result.strokes, result.behaviour
    budgets = {name: budget_json(budget) for name, budget in result.budgets.items()}
    advice = result.verdict.next_check
    figures, first = behaviour.figures.items(), behaviour.figures["response_ms"].first
    return {
        "run": about.run,
        "kind": result.kind,
        "source": cast("Source", result.source),
        "status": result.status,
        "seed": about.seed,
        "setup_hash": about.setup_hash,
        "sheet_hash": about.sheet_hash,
        "valve": about.valve,
        "job": about.job,
        "by": about.by,
        "mount": about.mount,
        "note": about.note,
        "conditions": dict(about.conditions),
        "strokes": strokes_json(
            table,
            pressures_json(result.pressures, len(table)),
            stroke_current_json(result.signature, len(table)),
        ),
        "summary": {name: _summary(result, name, budgets.get(name)) for name in result.summaries},
        "rest_strokes": table.number[~table.steady].tolist(),
        "missed": plain(behaviour.missed),
        "first_stroke_excess_ms": first and plain(first.excess_ms),
        "first_stroke": {name: plain(one.first) for name, one in figures},
        "trend": {name: plain(one.trend) for name, one in figures},
        "change_points": {name: plain(one.changes) for name, one in figures},
        "warm_up_strokes": {name: one.warm_up_strokes for name, one in figures},
        "charts": {name: plain(one.charts) for name, one in figures},
        "outliers": {name: _outliers(behaviour.number, one) for name, one in figures},
        "capability": {name: plain(one.capability) for name, one in figures},
        "counts": {
            "strokes": len(table),
            "answered": int(table.answered.sum()),
            "missed": int(table.missed.sum()),
            "settled": int(table.settled.sum()),
            "unexpected_edges": result.unexpected_edges,
            "doubtful": int(table.doubtful.sum()),
        },
        "signature": signature_json(result.signature),
        "channels": channels_json(result.channels),
        "resolution": {
            "how": result.resolution.how,
            "step_ms": number(result.resolution.step_ms),
        },
        "engine": engine_json(result.engine),
        "calibration": calibration_json(result.calibration),
        "timing": timing_json(result.timing),
        "switch": switch_json(result.switch),
        "sequential": early_stop_json(result.sequential),
        "hold": None
        if result.hold is None
        else hold_json(result.hold, result.t0_ns, budgets.get("decay_rate_kpa_s")),
        "ramp": ramp_json(result.ramp, budgets) if result.ramp else None,
        "budget": budgets,
        "contact": {"sense": result.contact.sense, "how": result.contact.how},
        "reference": cast("Reference", asdict(result.reference)),
        "settle_window_ms": result.settle_window_ms,
        "chain": [
            {
                "id": message_id("link", link.name),
                "link": link.name,
                "shown": link.shown,
                "found": link.found,
            }
            for link in result.chain
        ],
        "conditions_seen": dict(result.conditions_seen),
        "marks": list(result.marks),
        "mark_ids": [marks.id_of(mark) for mark in result.marks],
        "mark_counts": dict(result.mark_counts),
        "doubtful": list(result.doubtful),
        "doubtful_ids": [marks.id_of(mark) for mark in result.doubtful],
        "trip": None
        if trip is None
        else {
            "id": trip.id,
            "rule": trip.rule,
            "value": trip.value,
            "limit": trip.limit,
            "unit": trip.unit,
            "t_ms": _ms(trip.t_ns, result.t0_ns),
            "message": trip.message,
        },
        "end": None
        if end is None
        else {"reason": end.reason, "off": end.off, "t_ms": _ms(end.t_ns, result.t0_ns)},
        "watched": rules_json(about.watched),
        "not_watched": rules_json(about.not_watched),
        "verdict": {
            "result": result.verdict.result,
            "why": result.verdict.why,
            "reason": result.verdict.reason,
            "next_check": advice and advice.words,
            "next_check_id": advice and advice.id,
            "guard_band": None if deciding is None else number(deciding.guard_band),
            "risk_pct": number(result.verdict.risk_pct, 4),
            "decided_by": None if deciding is None else deciding.words,
            "limits": [_limit(limit) for limit in result.verdict.limits],
        },
        "software": about.software,
    }


def rules_json(rules: Sequence[Rule]) -> list[Rule]:
    """Rules as recorded, each with the id of its trip."""
    return [
        {
            "id": trip_id(rule["rule"]),
            "rule": rule["rule"],
            "reaction_ms": rule["reaction_ms"],
            "why": rule["why"],
        }
        for rule in rules
    ]


def _summary(result: RunResult, name: str, budget: Budget | None) -> Summary:
    """Of the steady strokes; `rest` of those that the run's own figures leave out."""
    table = result.strokes
    values, found = table.figure(name), result.summaries[name]
    spread: Spread = plain(result.behaviour.figures[name].spread)
    return {
        **statistics_json(found),
        **spread,
        **mean_json(found, budget),
        "rest": statistics_json(summarise(values[~table.steady & table.whole])),
    }


def _outliers(number: Int64, one: FigureBehaviour) -> Outliers:
    """Strokes by their numbers."""
    g, beyond = one.grubbs, one.fences
    return {
        "grubbs": None
        if g is None
        else {
            "g": plain(g.g),
            "critical": plain(g.critical),
            "stroke": None if g.place is None else int(number[g.place]),
        },
        "fences": None
        if beyond is None
        else {
            "inner": plain(beyond.inner),
            "outer": plain(beyond.outer),
            "strokes": number[list(beyond.beyond_inner)].tolist(),
            "far_strokes": number[list(beyond.beyond_outer)].tolist(),
            "far_slow": beyond.slow,
        },
    }


def _limit(limit: Judged) -> Limit:
    return {
        "figure": limit.figure,
        "of": limit.of,
        "min": limit.min,
        "max": limit.max,
        "unit": limit.unit,
        "value": number(limit.value),
        "n": limit.n,
        "result": limit.result,
        "why": limit.why,
        "risk": limit.risk,
        "guard_band": number(limit.guard_band),
        "risk_pct": number(limit.risk_pct, 4),
        "strokes_needed": limit.strokes_needed,
        "strokes": limit.strokes,
    }


def dumps(shape: Mapping[str, object], indent: int | None = 1) -> str:
    """JSON text. Raises ValueError on NaN or infinity."""
    return json.dumps(shape, allow_nan=False, ensure_ascii=False, indent=indent)


def stroke_json(table: StrokeTable, row: int) -> Stroke:
    """The JSON object of one stroke, without pressure and current."""
    return _stroke_rows(table, slice(row, row + 1), [None], [None])[0]


def strokes_json(
    table: StrokeTable,
    pressures: Sequence[StrokePressure | None],
    currents: Sequence[StrokeCurrent | None],
) -> list[Stroke]:
    """The JSON objects of all strokes, in order."""
    return _stroke_rows(table, slice(None), pressures, currents)


def _stroke_rows(
    table: StrokeTable,
    rows: slice,
    pressures: Sequence[StrokePressure | None],
    currents: Sequence[StrokeCurrent | None],
) -> list[Stroke]:
    found = [table.marks(row) for row in range(*rows.indices(len(table)))]
    columns: dict[str, Sequence[object]] = {
        "number": table.number[rows].tolist(),
        "answered": table.answered[rows].tolist(),
        "missed": table.missed[rows].tolist(),
        "settled": table.settled[rows].tolist(),
        **{key: floats(table.figure(key)[rows]) for key in figures_of("strokes")},
        "first_edge_on_ms": floats(table.first_edge_on_ms[rows]),
        "first_edge_off_ms": floats(table.first_edge_off_ms[rows]),
        "bounce_on": [n if n >= 0 else None for n in table.bounce_on[rows].tolist()],
        "bounce_off": [n if n >= 0 else None for n in table.bounce_off[rows].tolist()],
        "at_switch_on_kpa": floats(table.at_switch_on_kpa[rows], KPA_DIGITS),
        "at_switch_off_kpa": floats(table.at_switch_off_kpa[rows], KPA_DIGITS),
        "marks": found,
        "mark_ids": [[marks.id_of(mark) for mark in row] for row in found],
        "pressure": pressures,
        "current": currents,
    }
    made = [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
    return cast("list[Stroke]", made)


def early_stop_json(found: Sequential | None) -> EarlyStop | None:
    """The test that may end a run early."""
    return found and {
        "decision": found.decision,
        "n": found.n,
        "failed": found.failed,
        "ratio": number(found.ratio),
        "lower": number(found.lower),
        "upper": number(found.upper),
    }


def hold_json(held: HoldResult, t0_ns: int, budget: Budget | None) -> Hold:
    """The watch of a hold, its decay rate, and the pressure against time (milliseconds)."""
    return {
        "from_ms": _ms(held.from_ns, t0_ns),
        "to_ms": _ms(held.to_ns, t0_ns),
        "readings": held.n,
        "bad_readings": held.bad,
        "left_out": held.left_out,
        "pressure_start_kpa": number(held.pressure_start_kpa, KPA_DIGITS),
        "pressure_end_kpa": number(held.pressure_end_kpa, KPA_DIGITS),
        "decay_rate_kpa_s": number(held.decay_rate_kpa_s),
        "standard_error_kpa_s": number(held.standard_error_kpa_s),
        "rate_is": held.rate_is,
        "rate_from_ms": _ms(held.rate_from_ns, t0_ns) if held.rate_from_ns is not None else None,
        "rate_to_ms": _ms(held.rate_to_ns, t0_ns) if held.rate_to_ns is not None else None,
        "no_interval": None
        if held.decay_rate_kpa_s is None or held.standard_error_kpa_s is not None
        else held.open_because and held.open_because.words,
        "switch_on_at_start": held.switch_on_at_start,
        "switch_on_at_end": held.switch_on_at_end,
        "dropped_out_ms": None
        if held.dropped_out_ns is None
        else _ms(held.dropped_out_ns, held.from_ns),
        "edges": held.edges,
        "marks": list(held.marks),
        "mark_ids": [marks.id_of(mark) for mark in held.marks],
        "trace": {
            "t_ms": [_ms(t, t0_ns) for t in held.trace_ns.tolist()],
            "pressure_kpa": floats(held.trace_kpa, KPA_DIGITS),
        },
        **expanded_json(budget),
    }


def ramp_json(ramps: RampTable, budgets: Mapping[str, Budget]) -> Ramp:
    """Every ramp's pressures, and the summary of each figure (kPa)."""
    figures = {key: ramps.figure(key) for key in figures_of("ramp")}
    columns = {
        "number": ramps.number.tolist(),
        **{key: floats(value, KPA_DIGITS) for key, value in figures.items()},
        "marks": map(list, ramps.marks),
        "mark_ids": [[marks.id_of(mark) for mark in row] for row in ramps.marks],
    }
    rows = [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
    return {
        "ramps": cast("list[OneRamp]", rows),
        "summary": {
            name: {
                **statistics_json(found := summarise(value), KPA_DIGITS),
                **mean_json(found, budgets.get(name)),
            }
            for name, value in figures.items()
        },
    }


def _ms(t_ns: int, from_ns: int) -> float:
    return round((t_ns - from_ns) / 1e6, MS_DIGITS)
