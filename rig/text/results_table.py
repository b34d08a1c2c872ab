# SPDX-License-Identifier: MIT
"""Results as tables for a spreadsheet or a program: one row per run, or one row per stroke.

The columns are the same for all runs and never change order; new ones are added at the end. Column
names carry the unit. Unknown values are empty. Text is as typed, with an apostrophe before it where
a spreadsheet would read it as a formula.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from typing import Any, TextIO

from rig.core.figures import FIGURES, stroke_columns
from rig.core.json_values import JsonObject

Result = Mapping[str, Any]
Cell = str | int | float | bool | None

CONDITIONS = {
    "oil_temperature": "oil_temperature_degc",
    "base_pressure": "base_pressure_kpa",
    "supply_voltage": "supply_voltage_v",
    "idle_speed": "idle_speed_rpm",
    "ambient_temperature": "ambient_temperature_degc",
    "oil_grade": "oil_grade",
    "oil_level": "oil_level",
}
"""Condition -> its column; the column beside it says whether it was measured or typed."""
FIRST = 5
"""Figures before HOLD; later ones are at the end."""
STATISTICS = ("n", "mean", "sd", "min", "median", "max", "u95")
HOLD = ("pressure_start_kpa", "pressure_end_kpa", "decay_rate_kpa_s")
COUNTS = ("strokes", "answered", "missed", "doubtful")
NAMED = ("valve", "job", "by", "mount", "note", "setup_hash", "sheet_hash")
OF_PRESSURE = ("rise_ms", "fall_ms", "delay_first_ms", "delay_50_ms", "fall_delay_50_ms")
OF_CURRENT = (
    "electrical_ms", "mechanical_ms", "hydraulic_ms", "seated_ms", "back_leaves_ms",
    "back_seated_ms", "steady_a",
)  # fmt: skip


def run_row(result: Result) -> dict[str, Cell]:
    """One run, from its JSON."""
    clock, verdict = result.get("clock") or {}, result.get("verdict") or {}
    row: dict[str, Cell] = {
        "run": result["run"],
        "started_utc": _instant(clock.get("started_utc_s")),
        "clock_synchronised": clock.get("synchronised"),
        "source": result.get("source"),
        "status": result.get("status"),
        "kind": result.get("kind"),
        **{name: result.get(name) for name in NAMED},
        "verdict": verdict.get("result"),
        "verdict_why": verdict.get("why"),
        "next_check": verdict.get("next_check"),
        "valve_result": (result.get("of_the_valve") or {}).get("result"),
        "trip_rule": (result.get("trip") or {}).get("rule"),
        "coil_at_end": (result.get("end") or {}).get("off"),
        "software": result.get("software"),
    }
    counts = result.get("counts") or {}
    row |= {name: counts.get(name) for name in COUNTS}
    summaries = dict(result.get("summary") or {})
    summaries |= (result.get("ramp") or {}).get("summary") or {}
    figures = [one.key for one in FIGURES.values() if one.key and one.kind != "hold"]
    row |= _statistics(summaries, figures[:FIRST])
    hold = result.get("hold") or {}
    row |= {name: hold.get(name) for name in HOLD} | {"decay_rate_kpa_s_u95": hold.get("U")}
    given = result.get("conditions") or {}
    for name, column in CONDITIONS.items():
        one = given.get(name) or {}
        row |= {column: one.get("value"), f"{name}_how": one.get("how")}
    return row | {"purpose": result.get("purpose")} | _statistics(summaries, figures[FIRST:])


def _statistics(summaries: Mapping[str, Result], figures: Iterable[str]) -> dict[str, Cell]:
    return {
        f"{figure}_{name}": (summaries.get(figure) or {}).get("U" if name == "u95" else name)
        for figure in figures for name in STATISTICS
    }  # fmt: skip


def stroke_rows(result: Result) -> Iterator[dict[str, Cell]]:
    """The strokes of one run, from its JSON; each with the fields that identify the run."""
    clock = result.get("clock") or {}
    of_run: dict[str, Cell] = {
        "run": result["run"],
        "started_utc": _instant(clock.get("started_utc_s")),
        "source": result.get("source"),
        "valve": result.get("valve"),
        "job": result.get("job"),
    }
    columns, later = stroke_columns()
    for stroke in result.get("strokes") or ():
        pressure, current = stroke.get("pressure") or {}, stroke.get("current") or {}
        yield {
            **of_run,
            "stroke": stroke["number"],
            **{name: stroke.get(name) for name in ("answered", "missed", "settled")},
            **{one.key: stroke.get(one.key) for one in columns},
            **{name: pressure.get(name) for name in OF_PRESSURE},
            "plunger": current.get("plunger"),
            **{name: current.get(name) for name in OF_CURRENT},
            "marks": "; ".join(stroke.get("marks") or ()),
            **{one.key: stroke.get(one.key) for one in later},
        }


def _instant(utc_s: float | None) -> str | None:
    if utc_s is None:
        return None
    return datetime.fromtimestamp(utc_s, UTC).isoformat(timespec="seconds")


FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
"""First characters that make a spreadsheet evaluate a cell (OWASP, CSV Injection)."""


def _no_formula(row: dict[str, Cell]) -> dict[str, Cell]:
    return {
        name: f"'{cell}" if isinstance(cell, str) and cell.startswith(FORMULA_STARTS) else cell
        for name, cell in row.items()
    }


EMPTY: JsonObject = {"run": None, "strokes": [{"number": None}]}


def columns(*, by_stroke: bool) -> list[str]:
    """The names of the columns."""
    return list(next(stroke_rows(EMPTY)) if by_stroke else run_row(EMPTY))


def write(file: TextIO, results: Iterable[Result], *, by_stroke: bool) -> None:
    """Write CSV as in RFC 4180, with a header line: numbers with a decimal point, True and False as
    words, unknown values empty."""
    table = csv.DictWriter(file, columns(by_stroke=by_stroke))
    table.writeheader()
    for result in results:
        rows = stroke_rows(result) if by_stroke else [run_row(result)]
        table.writerows(map(_no_formula, rows))
