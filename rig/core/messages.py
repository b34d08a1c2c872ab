# SPDX-License-Identifier: MIT
"""Messages between desk and bench: one JSON object a line, with a version.

Orders (desk to bench): arm, start, stop, beat, quit, finish (end before the next stroke). Tellings
(bench to desk): preflight, state, status, guide, ended, refused. A line that begins with "[" is a
raw record (records.encode).
"""

from __future__ import annotations

import json
import math
from typing import NamedTuple

from rig.core.json_values import JsonObject

VERSION = 1
ORDERS = ("arm", "start", "stop", "beat", "quit", "finish")
MAX_LINE = 65_536
BEAT_S = 0.1
"""Interval of the desk's beats; without them for the link time, the bench ends an energised run."""


class Order(NamedTuple):
    """A validated order. `why` is for the record. A beat may carry the recorder's last report:
    `lag_s`, the age of its oldest record not stored, and `free_mb`, its free space, NaN when no
    longer known."""

    order: str
    why: str = ""
    lag_s: float = 0.0
    free_mb: float | None = None


def tell(kind: str, **fields: object) -> str:
    """Encode a telling as a line without newline; json refuses NaN."""
    return json.dumps({"v": VERSION, "tell": kind, **fields}, allow_nan=False)


def order(name: str, why: str = "", **recorder: float | None) -> bytes:
    """Encode an order as a line. `recorder`: lag_s and free_mb, sent with a beat."""
    fields = {"v": VERSION, "order": name, "why": why, **recorder}
    return (json.dumps(fields, allow_nan=False) + "\n").encode()


def read_order(line: bytes) -> Order:
    """Validate one order line. Raises ValueError that says what is wrong."""
    data = _object(line)
    name, why = data.get("order"), data.get("why", "")
    if name not in ORDERS:
        raise ValueError(f"no such order: {name!r:.40}")
    if not isinstance(why, str) or set(data) - {"v", "order", "why", "lag_s", "free_mb"}:
        raise ValueError("an order has the fields v, order, why, lag_s, free_mb and no others")
    lag_s, free_mb = _number(data.get("lag_s", 0.0)), _number(data.get("free_mb"))
    if free_mb is None and "free_mb" in data:  # a reading that stopped arriving
        free_mb = math.nan
    return Order(name, why[:500], lag_s or 0.0, free_mb)


def _number(value: object) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not _finite(value):
        raise ValueError(f"not a finite number: {value!r:.40}")
    return float(value)


def _finite(value: float) -> bool:
    try:
        return math.isfinite(value)
    except OverflowError:  # an integer too large for a float
        return False


def read_telling(line: bytes) -> JsonObject:
    """Validate one telling. Raises ValueError."""
    data = _object(line)
    if not isinstance(data.get("tell"), str):
        raise ValueError("not a telling")
    return data


def _object(line: bytes) -> JsonObject:
    try:
        data = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise ValueError(f"not JSON: {line[:40]!r}") from error
    if not isinstance(data, dict):
        raise ValueError("not a JSON object")
    if isinstance(data.get("v"), bool) or data.get("v") != VERSION:
        raise ValueError(f"message version {data.get('v')!r:.20}, this program speaks {VERSION}")
    return data
