# SPDX-License-Identifier: MIT
"""Results as JSON. Unknown numbers are null; NaN and infinity never leave the program."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from rig.analysis.analyse import RunResult
from rig.analysis.measure import marks
from rig.analysis.measure.hold import HoldResult
from rig.analysis.measure.ramp import RampTable
from rig.analysis.measure.sampling import channels_json, engine_json
from rig.analysis.measure.stroke_table import StrokeTable
from rig.analysis.stats.summary import Summary, summarise
from rig.analysis.stats.uncertainty import Budget
from rig.analysis.verdict.behaviour import behaviour_json, spread_json
from rig.core.figures import figures_of
from rig.core.message_ids import Message, message_id, trip_id
from rig.core.recording import Float
from rig.results.calibration_json import calibration_json, timing_json
from rig.results.coil_json import signature_json, stroke_current_json
from rig.results.metrology_json import (
    budget_json,
    expanded_json,
    mean_json,
    pressures_json,
    switch_json,
)

KPA_DIGITS = 4
"""Decimals of pressures: finer than any gauge resolves."""
MS_DIGITS = 6
"""Decimals of milliseconds: nanoseconds, as recorded."""


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
    conditions: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    watched: Sequence[Mapping[str, Any]] = ()
    not_watched: Sequence[Mapping[str, Any]] = ()
    software: str | None = None
    purpose: str | None = None


NOTHING_KNOWN = AboutRun()


def run_json(result: RunResult, about: AboutRun = NOTHING_KNOWN) -> dict[str, Any]:
    """The JSON object of a run."""
    trip, end = result.trip, result.end
    deciding = result.verdict.deciding
    return {
        "run": about.run,
        "kind": result.kind,
        "source": result.source,
        "status": result.status,
        "seed": about.seed,
        "setup_hash": about.setup_hash,
        "sheet_hash": about.sheet_hash,
        "valve": about.valve,
        "job": about.job,
        "by": about.by,
        "mount": about.mount,
        "note": about.note,
        "conditions": {name: dict(v) for name, v in about.conditions.items()},
        "strokes": [
            stroke | {"pressure": pressure, "current": current}
            for stroke, pressure, current in zip(
                strokes_json(result.strokes),
                pressures_json(result.pressures, len(result.strokes)),
                stroke_current_json(result.signature, len(result.strokes)),
                strict=True,
            )
        ],
        "summary": {
            name: summary_json(summary, MS_DIGITS)
            | spread_json(result.behaviour.figures[name])
            | mean_json(
                result.strokes.figure(name)[result.strokes.counted], result.budgets.get(name)
            )
            | {"rest": _rest(result.strokes, name)}
            for name, summary in result.summaries.items()
        },
        "rest_strokes": result.strokes.number[~result.strokes.steady].tolist(),
        **behaviour_json(result.behaviour),
        "counts": {
            "strokes": len(result.strokes),
            "answered": int(result.strokes.answered.sum()),
            "missed": int(result.strokes.missed.sum()),
            "settled": int(result.strokes.settled.sum()),
            "unexpected_edges": result.unexpected_edges,
            "doubtful": int(result.strokes.doubtful.sum()),
        },
        "signature": signature_json(result.signature),
        "channels": channels_json(result.channels),
        "resolution": {
            "how": result.resolution.how,
            "step_ms": number(result.resolution.step_ms, MS_DIGITS),
        },
        "engine": engine_json(result.engine),
        "calibration": calibration_json(result.calibration),
        "timing": timing_json(result.timing),
        "switch": switch_json(result.switch),
        "sequential": None
        if result.sequential is None
        else {
            name: number(value, 6) if isinstance(value, float) else value
            for name, value in result.sequential._asdict().items()
        },
        "hold": None
        if result.hold is None
        else hold_json(result.hold, result.t0_ns)
        | expanded_json(result.budgets.get("decay_rate_kpa_s")),
        "ramp": ramp_json(result.ramp, result.budgets) if result.ramp else None,
        "budget": {name: budget_json(budget) for name, budget in result.budgets.items()},
        "contact": {"sense": result.contact.sense, "how": result.contact.how},
        "reference": asdict(result.reference),
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
            **next_check_json(result.verdict.next_check),
            "guard_band": None if deciding is None else number(deciding.guard_band, MS_DIGITS),
            "risk_pct": number(result.verdict.risk_pct, 4),
            "decided_by": None if deciding is None else deciding.words,
            "limits": [
                {"why" if key == "said" else key: value for key, value in asdict(limit).items()}
                | {
                    "why": limit.why,
                    "value": number(limit.value, MS_DIGITS),
                    "guard_band": number(limit.guard_band, MS_DIGITS),
                    "risk_pct": number(limit.risk_pct, 4),
                }
                for limit in result.verdict.limits
            ],
        },
        "software": about.software,
    }


def rules_json(rules: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Rules as recorded, each with the id of its trip."""
    return [{"id": trip_id(rule["rule"]), **rule} for rule in rules]


def next_check_json(advice: Message | None) -> dict[str, str | None]:
    """The two keys of a verdict that say what to check next."""
    return {
        "next_check": None if advice is None else advice.words,
        "next_check_id": None if advice is None else advice.id,
    }


def _rest(table: StrokeTable, name: str) -> dict[str, Any]:
    """n, mean, sd, min, median, max of the strokes after a rest, which the run's own figures leave
    out."""
    return summary_json(summarise(table.figure(name)[~table.steady & table.whole]), MS_DIGITS)


def dumps(shape: Mapping[str, Any], indent: int | None = 1) -> str:
    """JSON text. Raises ValueError on NaN or infinity."""
    return json.dumps(shape, allow_nan=False, ensure_ascii=False, indent=indent)


def number(value: float | None, digits: int) -> float | None:
    """A float with this many decimals; None for "not known" in any form."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits) + 0.0  # never -0.0


def stroke_json(table: StrokeTable, row: int) -> dict[str, Any]:
    """The JSON object of one stroke."""
    return _stroke_rows(table, slice(row, row + 1))[0]


def strokes_json(table: StrokeTable) -> list[dict[str, Any]]:
    """The JSON objects of all strokes, in order."""
    return _stroke_rows(table, slice(None))


def _stroke_rows(table: StrokeTable, rows: slice) -> list[dict[str, Any]]:
    columns: dict[str, list[Any]] = {
        "number": table.number[rows].tolist(),
        "answered": table.answered[rows].tolist(),
        "missed": table.missed[rows].tolist(),
        "settled": table.settled[rows].tolist(),
        **{key: _floats(table.figure(key)[rows], MS_DIGITS) for key in figures_of("strokes")},
        "first_edge_on_ms": _floats(table.first_edge_on_ms[rows], MS_DIGITS),
        "first_edge_off_ms": _floats(table.first_edge_off_ms[rows], MS_DIGITS),
        "bounce_on": [n if n >= 0 else None for n in table.bounce_on[rows].tolist()],
        "bounce_off": [n if n >= 0 else None for n in table.bounce_off[rows].tolist()],
        "at_switch_on_kpa": _floats(table.at_switch_on_kpa[rows], KPA_DIGITS),
        "at_switch_off_kpa": _floats(table.at_switch_off_kpa[rows], KPA_DIGITS),
    }
    columns["marks"] = [table.marks(row) for row in range(*rows.indices(len(table)))]
    columns["mark_ids"] = [[marks.id_of(mark) for mark in row] for row in columns["marks"]]
    columns["pressure"] = [None] * len(columns["marks"])
    columns["current"] = columns["pressure"]
    names = list(columns)
    return [dict(zip(names, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _floats(values: Float, digits: int) -> list[float | None]:
    finite = np.isfinite(values)
    rounded = np.round(np.where(finite, values, 0.0), digits).tolist()
    return [v if ok else None for v, ok in zip(rounded, finite.tolist(), strict=True)]


def summary_json(summary: Summary, digits: int) -> dict[str, Any]:
    """n, mean, sd, min, median, max."""
    shape: dict[str, Any] = {
        name: number(value, digits) for name, value in summary._asdict().items() if name != "n"
    }
    return {"n": summary.n} | shape


def hold_json(held: HoldResult, t0_ns: int) -> dict[str, Any]:
    """The watch of a hold, its decay rate, and the pressure against time (milliseconds)."""
    return {
        "from_ms": _ms(held.from_ns, t0_ns),
        "to_ms": _ms(held.to_ns, t0_ns),
        "readings": held.n,
        "bad_readings": held.bad,
        "left_out": held.left_out,
        "pressure_start_kpa": number(held.pressure_start_kpa, KPA_DIGITS),
        "pressure_end_kpa": number(held.pressure_end_kpa, KPA_DIGITS),
        "decay_rate_kpa_s": number(held.decay_rate_kpa_s, MS_DIGITS),
        "standard_error_kpa_s": number(held.standard_error_kpa_s, MS_DIGITS),
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
            "pressure_kpa": _floats(held.trace_kpa, KPA_DIGITS),
        },
    }


def ramp_json(ramps: RampTable, budgets: Mapping[str, Budget] | None = None) -> dict[str, Any]:
    """Every ramp's pressures, and the summary of each figure (kPa)."""
    figures = {key: ramps.figure(key) for key in figures_of("ramp")}
    columns = [_floats(value, KPA_DIGITS) for value in figures.values()]
    rows = zip(ramps.number.tolist(), *columns, ramps.marks, strict=True)
    return {
        "ramps": [
            dict(zip(("number", *figures), values, strict=True))
            | {"marks": list(found), "mark_ids": [marks.id_of(mark) for mark in found]}
            for *values, found in rows
        ],
        "summary": {
            name: summary_json(summarise(value), KPA_DIGITS)
            | mean_json(value, (budgets or {}).get(name))
            for name, value in figures.items()
        },
    }


def _ms(t_ns: int, from_ns: int) -> float:
    return round((t_ns - from_ns) / 1e6, MS_DIGITS)
