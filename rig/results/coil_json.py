# SPDX-License-Identifier: MIT
"""The coil's current as JSON: added keys of a run and of its strokes. Null where not known."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from rig.analysis.coil.current_rise import MOVED, NOT_SEEN, OPEN
from rig.analysis.coil.plunger_timing import Signature, StrokeCurrent

PARTS = ("electrical_ms", "mechanical_ms", "hydraulic_ms")
TIMES = ("seated_ms", "back_leaves_ms", "back_seated_ms")
DIGITS = 4


def _number(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), DIGITS) + 0.0


def stroke_current_json(signature: Signature | None, n: int) -> list[dict[str, Any] | None]:
    """The key `current` of each of `n` strokes."""
    if signature is None:
        return [None] * n
    return [None if row is None else _row(row) for row in signature.rows]


def _row(row: StrokeCurrent) -> dict[str, Any]:
    """Times in ms with their expanded uncertainty of 95 % (k = 2) as `_u95`."""
    shape: dict[str, Any] = {"plunger": row.state, "why": row.why or None}
    shape["relay_ms"] = _number(row.relay_ms)
    for name in (*PARTS, *TIMES):
        shape[name] = _number(getattr(row, name))
        shape[f"{name}_u95"] = _number(2.0 * getattr(row, f"u_{name}"))
        if shape[name] is None:
            shape[f"{name}_u95"] = None
    for name in ("steady_a", "tau1_ms", "tau2_ms"):
        shape[name] = _number(getattr(row, name))
    return shape


def signature_json(signature: Signature | None) -> dict[str, Any] | None:
    """The key `signature` of a run; None where the coil's current was not recorded."""
    if signature is None:
        return None
    coil = signature.coil
    rows = [row for row in signature.rows if row is not None]
    return {
        "rate_hz": _number(signature.rate_hz),
        "strokes_looked_at": len(rows),
        "moved": signature.count(MOVED),
        "no_movement_seen": signature.count(NOT_SEEN),
        "not_decided": signature.count(OPEN),
        "why_not_decided": _reasons(rows),
        "parts": {name: _mean(rows, name) for name in (*PARTS, *TIMES)},
        "relay_ms": _mean(rows, "relay_ms"),
        "tau1_ms": _mean(rows, "tau1_ms"),
        "tau2_ms": _mean(rows, "tau2_ms"),
        "coil": {
            "state": coil.state,
            "found": coil.found,
            "next_check": coil.next_check or None,
            "steady_a": _number(coil.steady_a),
            "resistance_ohm": _number(coil.resistance_ohm),
            "resistance_u95_ohm": None if coil.u_ohm is None else _number(2.0 * coil.u_ohm),
            "expected_ohm": [_number(coil.low_ohm), _number(coil.high_ohm)],
            "temperature_degc": _number(coil.coil_degc),
            "step_share": _number(coil.step),
            "supply_v": _number(coil.supply_v),
            "supply_how": coil.supply_how or None,
        },
    }


def _reasons(rows: list[StrokeCurrent]) -> dict[str, int]:
    found: dict[str, int] = {}
    for row in rows:
        if row.state == OPEN:
            found[row.why] = found.get(row.why, 0) + 1
    return found


def _mean(rows: list[StrokeCurrent], name: str) -> dict[str, Any]:
    """n, mean, sd; the expanded uncertainty (k = 2) of one stroke's value, their median."""
    values = np.array([getattr(row, name) for row in rows], np.float64)
    known = np.isfinite(values)
    n = int(known.sum())
    u = np.array([getattr(row, f"u_{name}", math.nan) for row in rows], np.float64)[known]
    u = u[np.isfinite(u)]
    return {
        "n": n,
        "mean": _number(float(values[known].mean())) if n else None,
        "sd": _number(float(values[known].std(ddof=1))) if n > 1 else None,
        "u95_single": _number(2.0 * float(np.median(u))) if len(u) else None,
    }
