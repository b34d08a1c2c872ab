# SPDX-License-Identifier: MIT
"""Coil current as JSON: keys added to a run and its strokes. Null where not known."""

from __future__ import annotations

import math
from collections import Counter
from typing import cast

import numpy as np

from rig.analysis.coil.current_rise import MOVED, NOT_SEEN, OPEN
from rig.analysis.coil.plunger_timing import Signature, StrokeCurrent
from rig.analysis.coil.split import Piece, clear, cuts_of, of_run, split
from rig.core.message_ids import message_id
from rig.core.recording import Float
from rig.core.results import coil
from rig.results.numbers import number

PARTS = ("electrical_ms", "mechanical_ms", "hydraulic_ms")
TIMES = ("seated_ms", "back_leaves_ms", "back_seated_ms")
DIGITS = 4


def stroke_current_json(signature: Signature | None, n: int) -> list[coil.StrokeCurrent | None]:
    """The key `current` of each of `n` strokes."""
    if signature is None:
        return [None] * n
    return [None if row is None else _row(row) for row in signature.rows]


def _row(row: StrokeCurrent) -> coil.StrokeCurrent:
    """Times in ms with their 95 % expanded uncertainty (k = 2) as `_u95`. A part whose uncertainty
    is more than half of it is null by itself and is included in `together`; the plunger's instants
    likewise."""
    pieces = split(row)
    alone = {piece.names[0] for piece in pieces if len(piece.names) == 1}
    times: dict[str, float | None] = {}
    for name in PARTS:
        # without an answer there is no hydraulic part, and the others stand alone
        given = name.removesuffix("_ms") in alone if pieces else _clear(row, name)
        times |= _pair(row, name, given=given)
    for name in TIMES:
        given = 2 in cuts_of(pieces) if pieces and name == "seated_ms" else _clear(row, name)
        times |= _pair(row, name, given=given)
    shape = {
        "plunger": row.state,
        "why": row.why or None,
        "relay_ms": number(row.relay_ms, DIGITS),
        **times,
        "together": _together([[piece] for piece in pieces]),
        "steady_a": number(row.steady_a, DIGITS),
        "tau1_ms": number(row.tau1_ms, DIGITS),
        "tau2_ms": number(row.tau2_ms, DIGITS),
    }
    return cast("coil.StrokeCurrent", shape)


def _clear(row: StrokeCurrent, name: str) -> bool:
    return clear(getattr(row, name), getattr(row, f"u_{name}"))


def _pair(row: StrokeCurrent, name: str, *, given: bool) -> dict[str, float | None]:
    value = number(getattr(row, name), DIGITS) if given else None
    u95 = None if value is None else number(2.0 * getattr(row, f"u_{name}"), DIGITS)
    return {name: value, f"{name}_u95": u95}


def _together(columns: list[list[Piece]]) -> coil.Together | None:
    """The parts known only together (at most one such piece): their names, in how many strokes,
    mean, sd and the expanded uncertainty of one stroke. For all three parts it is the response's
    own."""
    for column in columns:
        if len(column[0].names) > 1:
            whole = len(column[0].names) == len(PARTS)
            return {
                "parts": list(column[0].names),
                **_figures(
                    np.array([piece.ms for piece in column]),
                    np.array([math.nan if whole else piece.u_ms for piece in column]),
                ),
            }
    return None


def signature_json(signature: Signature | None) -> coil.Signature | None:
    """The key `signature` of a run; None where the coil current was not recorded."""
    if signature is None:
        return None
    found = signature.coil
    rows = [row for row in signature.rows if row is not None]
    pieces = of_run(rows)
    return {
        "rate_hz": number(signature.rate_hz, DIGITS),
        "strokes_looked_at": len(rows),
        "moved": signature.count(MOVED),
        "no_movement_seen": signature.count(NOT_SEEN),
        "not_decided": signature.count(OPEN),
        "why_not_decided": dict(Counter(row.why for row in rows if row.state == OPEN)),
        "parts": _parts(rows, pieces),
        "together": _together(pieces),
        "relay_ms": _mean(rows, "relay_ms"),
        "tau1_ms": _mean(rows, "tau1_ms"),
        "tau2_ms": _mean(rows, "tau2_ms"),
        "coil": {
            "id": message_id("coil", found.state),
            "state": found.state,
            "found": found.found,
            "next_check": found.next_check or None,
            "steady_a": number(found.steady_a, DIGITS),
            "resistance_ohm": number(found.resistance_ohm, DIGITS),
            "resistance_u95_ohm": found.u_ohm and number(2.0 * found.u_ohm, DIGITS),
            "expected_ohm": [number(found.low_ohm, DIGITS), number(found.high_ohm, DIGITS)],
            "temperature_degc": number(found.coil_degc, DIGITS),
            "step_share": number(found.step, DIGITS),
            "supply_v": number(found.supply_v, DIGITS),
            "supply_how": found.supply_how or None,
        },
    }


def _parts(rows: list[StrokeCurrent], pieces: list[list[Piece]]) -> dict[str, coil.PartFigures]:
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


def _mean(rows: list[StrokeCurrent], name: str) -> coil.PartFigures:
    values = np.array([getattr(row, name) for row in rows], np.float64)
    u = np.array([getattr(row, f"u_{name}", math.nan) for row in rows], np.float64)
    return _figures(values, u)


def _figures(values: Float, u: Float) -> coil.PartFigures:
    """n, mean, sd; the median expanded uncertainty (k = 2) of one stroke's value."""
    known = np.isfinite(values)
    values, u = values[known], u[known]
    u = u[np.isfinite(u)]
    n = len(values)
    return {
        "n": n,
        "mean": number(float(values.mean()), DIGITS) if n else None,
        "sd": number(float(values.std(ddof=1)), DIGITS) if n > 1 else None,
        "u95_single": number(2.0 * float(np.median(u)), DIGITS) if len(u) else None,
    }
