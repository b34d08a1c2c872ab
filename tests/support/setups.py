# SPDX-License-Identifier: MIT
"""A setup that tests add to, and sheets: as data, as text, and as models. All invented."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from rig.config.setup.model import Setup
from rig.config.sheet.model import Sheet

DEMO = Path(__file__).parents[2] / "demo"
COIL = {"feed_side": "supply", "supply_voltage": "12.6 V", "fuse": "5 A", "resistance": "14.5 ohm"}
BOARD: dict[str, Any] = {
    "backend": "board", "medium": "oil", "coil": COIL, "relay": {"line": 17},
    "switch": {"line": 22, "contact": "normally open"},
}  # fmt: skip
GAUGE = {
    "port": "simulated", "pattern": "{pressure} {unit}", "period": "100 ms",
    "measuring_range": ["0 kPa", "1000 kPa"], "expected_range": ["0 kPa", "400 kPa"],
}  # fmt: skip


def merged(base: Mapping[str, Any], more: Mapping[str, Any]) -> dict[str, Any]:
    """`base` with `more` laid over it, tables merged; None takes a key out."""
    out = dict(base)
    for key, value in more.items():
        if value is None:
            out.pop(key, None)
        elif isinstance(value, Mapping) and isinstance(out.get(key), Mapping):
            out[key] = merged(out[key], value)
        else:
            out[key] = value
    return out


def board(**more: Any) -> Setup:
    """The board with relay and switch and no gauge, `more` laid over it."""
    return Setup.model_validate(merged(BOARD, more))


def toml(tables: Mapping[str, Any]) -> str:
    """Keys and tables as TOML text (strings, numbers, booleans and lists of them)."""
    plain = [f"{k} = {json.dumps(v)}" for k, v in tables.items() if not isinstance(v, Mapping)]
    return "\n".join(
        [*plain, *(f"[{k}]\n{toml(v)}" for k, v in tables.items() if isinstance(v, Mapping)), ""]
    )


def workshop_sheet(strokes: int) -> str:
    """The demo's sheet for the workshop with so many strokes."""
    return (
        (DEMO / "workshop.sheet.toml").read_text().replace("strokes = 20", f"strokes = {strokes}")
    )


TIMING = {
    "date": "2026-03-01", "due": "2027-03-01",
    "response_n": 100, "response_mean": "0 ms", "response_sd": "0.01 ms",
    "release_n": 100, "release_mean": "0 ms", "release_sd": "0.01 ms",
    "operate_delay": ["5 ms", "7 ms"], "release_delay": ["3 ms", "4 ms"],
}  # fmt: skip
"""The rig's own times as `rig calibrate --timing` writes them; what they were timed from is left to
be added."""


def calibration(*points: tuple[float, float], **more: str | bool) -> str:
    """A table of the gauge's calibration that ran out: (reference, reading) of each point, kPa."""
    rows = "".join(f'    {{reference = "{a} kPa", reading = "{b} kPa"}},\n' for a, b in points)
    table = {"date": "2020-01-01", "due": "2021-01-01", "reference": "test gauge, invented",
             "reference_uncertainty": "0.5 kPa", **more}  # fmt: skip
    return f"\n[calibration]\n{toml(table)}points = [\n{rows}]\n"


def make_sheet(**data: object) -> Sheet:
    return TypeAdapter(Sheet).validate_python(data)
