# SPDX-License-Identifier: MIT
"""The log used for lesson tests, and helpers that operate the lesson's page."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from playwright.sync_api import Page, expect
from served import RUNS
from setups import workshop_sheet
from written_runs import write

DEMO = Path(__file__).parents[2] / "demo"
SWITCH_ONLY = f"/runs/{list(RUNS).index('simulated') + 1}/lesson?stroke=3"
FULL = f"/runs/{len(RUNS) + 1}/lesson?stroke=3"
"""A run of the simulated engine: current and a fast pressure as well."""


def write_taught(folder: Path) -> None:
    """The known runs, and one of the simulated engine."""
    for made in RUNS.values():
        write(folder / "runs.sqlite", made)
    sheet = folder / "few.sheet.toml"
    sheet.write_text(workshop_sheet(4))
    subprocess.run(
        [sys.executable, "-m", "rig.cli.main", "run", DEMO / "engine.setup.toml", sheet, "--fast"],
        env={**os.environ, "RIG_DATA": str(folder)}, stdout=subprocess.DEVNULL, timeout=60,
    )  # fmt: skip


def ready(page: Page) -> Page:
    expect(page.locator("#lesson")).to_have_attribute("data-loaded", "3 on")
    return page


def go_on(page: Page, ms: int) -> None:
    for _ in range(ms):
        page.keyboard.press("ArrowRight")
