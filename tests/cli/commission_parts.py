# SPDX-License-Identifier: MIT
"""A commissioned rig, its record, and how that stands."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from rig.actions.commission import record
from rig.actions.commission.conduct import STEPS
from rig.actions.commission.record import PASSED, Record, StepResult
from rig.cli.main import cli
from rig.config.dated import months_after
from rig.config.setup.model import Setup
from rig.config.setup.wired import wired_hash

ROOT = Path(__file__).parents[2]
WORKSHOP = ROOT / "demo" / "workshop.setup.toml"
TEXT = WORKSHOP.read_text()
DAY = datetime.date(2026, 3, 1)


def rig(*words: str) -> Result:
    return CliRunner().invoke(cli, list(words))


def made(setup: Setup, *results: str, **changes: Any) -> Record:
    steps = tuple(
        StepResult(id=f"s{n}", title=f"Step {n}", how="", limit="", result=result, words="")
        for n, result in enumerate(results or (PASSED,))
    ) + tuple(
        StepResult(id=s.id, title=s.title, how="", limit="", result=PASSED, words="") for s in STEPS
    )
    return Record(
        **{
            "rig": record.rig_of(setup), "setup_name": "a", "setup_hash": "b",
            "wired_hash": wired_hash(setup), "source": "simulated", "utc_s": 1000.0, "date": DAY,
            "due": months_after(DAY, 12), "by": "a test", "software": "c", "steps": steps,
            "finished": True,
        }
        | changes
    )  # fmt: skip


def state(setup: Setup, utc_s: float = 2000.0, day: datetime.date = DAY) -> str:
    found = record.standing(setup, utc_s, day)
    assert found is not None
    assert found["words"]
    return str(found["state"])
