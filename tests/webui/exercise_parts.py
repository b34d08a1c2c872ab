# SPDX-License-Identifier: MIT
"""The plan of an invented exercise."""

from __future__ import annotations

from pathlib import Path

from rig.actions.exercise.model import Plan

DEMO = Path(__file__).parents[2] / "demo"
FAULT = "leaking lock seals"


def plan(**more: object) -> Plan:
    setup, sheet = DEMO / "workshop.setup.toml", DEMO / "workshop.sheet.toml"
    given = {
        "setup_name": setup.name, "setup_text": setup.read_text(), "sheet_name": sheet.name,
        "sheet_text": sheet.read_text(), "seed": 5, "cause": FAULT, "severity": 0.7, **more,
    }  # fmt: skip
    return Plan.model_validate(given)
