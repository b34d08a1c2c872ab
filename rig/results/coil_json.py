# SPDX-License-Identifier: MIT
"""Coil current as JSON: keys added to a run and its strokes. Null where not known."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from rig.analysis.coil.current_rise import MOVED, NOT_SEEN, OPEN
from rig.analysis.coil.plunger_timing import Signature, StrokeCurrent
from rig.analysis.coil.split import Piece, clear, cuts_of, of_run, split
from rig.core.message_ids import message_id
from rig.core.recording import Float

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
    """Times in ms with their 95 % expanded uncertainty (k = 2) as `_u95`. A part whose uncertainty
    is more than half of it is null by itself and is included in `together`; the plunger's instants
    likewise."""
    shape: dict[str, Any] = {"plunger": row.state, "why": row.why or None}
    shape["relay_ms"] = _number(row.relay_ms)
    pieces = split(row)
    alone = {piece.names[0] for piece in pieces if len(piece.names) == 1}
    for name in PARTS:
        # without an answer there is no hydraulic part, and the others stand alone
        given = name.removesuffix("_ms") in alone if pieces else _clear(row, name)
        shape |= _pair(row, name, given=given)
    for name in TIMES:
        given = 2 in cuts_of(pieces) if pieces and name == "seated_ms" else _clear(row, name)
        shape |= _pair(row, name, given=given)
    shape["together"] = _together([[piece] for piece in pieces])
    for name in ("steady_a", "tau1_ms", "tau2_ms"):
        shape[name] = _number(getattr(row, name))
    return shape


def _clear(row: StrokeCurrent, name: str) -> bool:
    return clear(getattr(row, name), getattr(row, f"u_{name}"))


def _pair(row: StrokeCurrent, name: str, *, given: bool) -> dict[str, float | None]:
    value = _number(getattr(row, name)) if given else None
    u95 = None if value is None else _number(2.0 * getattr(row, f"u_{name}"))
    return {name: value, f"{name}_u95": u95}


def _together(columns: list[list[Piece]]) -> dict[str, Any] | None:
    """The parts known only together (at most one such piece): their names, in how many strokes,
    mean, sd and the expanded uncertainty of one stroke. For all three parts it is the response's
    own."""
    for column in columns:
        if len(column[0].names) > 1:
            whole = len(column[0].names) == len(PARTS)
            shape = _figures(
                np.array([piece.ms for piece in column]),
                np.array([math.nan if whole else piece.u_ms for piece in column]),
            )
            return {"parts": list(column[0].names), **shape}
    return None


def signature_json(signature: Signature | None) -> dict[str, Any] | None:
    """The key `signature` of a run; None where the coil current was not recorded."""
    if signature is None:
        return None
    coil = signature.coil
    rows = [row for row in signature.rows if row is not None]
    pieces = of_run(rows)
    return {
        "rate_hz": _number(signature.rate_hz),
        "strokes_looked_at": len(rows),
        "moved": signature.count(MOVED),
        "no_movement_seen": signature.count(NOT_SEEN),
        "not_decided": signature.count(OPEN),
        "why_not_decided": _reasons(rows),
        "parts": _parts(rows, pieces),
        "together": _together(pieces),
        "relay_ms": _mean(rows, "relay_ms"),
        "tau1_ms": _mean(rows, "tau1_ms"),
        "tau2_ms": _mean(rows, "tau2_ms"),
        "coil": {
            "id": message_id("coil", coil.state),
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


def _parts(rows: list[StrokeCurrent], pieces: list[list[Piece]]) -> dict[str, Any]:
    """Every part and plunger instant, over the strokes in which it stands alone."""
    nothing = np.zeros(0)
    shape = {name: _figures(nothing, nothing) for name in PARTS}
    for column in pieces:
        if len(column[0].names) == 1:
            shape[f"{column[0].names[0]}_ms"] = _figures(
                np.array([piece.ms for piece in column]),
                np.array([piece.u_ms for piece in column]),
            )
    if not pieces:
        shape = {name: _mean([row for row in rows if _clear(row, name)], name) for name in PARTS}
    for name in TIMES:
        shape[name] = _mean([row for row in rows if _clear(row, name)], name)
    if pieces and not any(column[0].names[-1] == PARTS[1][:-3] for column in pieces):
        shape["seated_ms"] = _figures(nothing, nothing)
    return shape


def _mean(rows: list[StrokeCurrent], name: str) -> dict[str, Any]:
    values = np.array([getattr(row, name) for row in rows], np.float64)
    u = np.array([getattr(row, f"u_{name}", math.nan) for row in rows], np.float64)
    return _figures(values, u)


def _figures(values: Float, u: Float) -> dict[str, Any]:
    """n, mean, sd; the median expanded uncertainty (k = 2) of one stroke's value."""
    known = np.isfinite(values)
    values, u = values[known], u[known]
    u = u[np.isfinite(u)]
    n = len(values)
    return {
        "n": n,
        "mean": _number(float(values.mean())) if n else None,
        "sd": _number(float(values.std(ddof=1))) if n > 1 else None,
        "u95_single": _number(2.0 * float(np.median(u))) if len(u) else None,
    }
