# SPDX-License-Identifier: MIT
"""The demo's files: accepted together, simulated, and open about being invented."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from rig.config.files.loading import load_pair

DEMO = Path(__file__).parents[2] / "demo"
SETUPS = sorted(DEMO.glob("*.setup.toml"))
SHEETS = sorted(DEMO.glob("*.sheet.toml"))


@pytest.mark.parametrize("setup", SETUPS, ids=lambda path: path.name)
@pytest.mark.parametrize("sheet", SHEETS, ids=lambda path: path.name)
def test_every_sheet_fits_every_setup(setup: Path, sheet: Path) -> None:
    loaded, _ = load_pair(setup, sheet)
    assert loaded.setup.backend == "simulated"


def test_there_is_a_sheet_of_each_kind() -> None:
    kinds = set()
    for sheet in SHEETS:
        _, loaded = load_pair(SETUPS[0], sheet)
        assert loaded is not None
        kinds.add(loaded.sheet.kind)
    assert kinds == {"strokes", "hold", "ramp"}


def test_the_strokes_sheet_says_its_strokes_plainly() -> None:
    text = (DEMO / "workshop.sheet.toml").read_text()
    assert len(re.findall(r"^strokes = \d+$", text, re.M)) == 1


@pytest.mark.parametrize("path", SETUPS + SHEETS, ids=lambda path: path.name)
def test_it_says_that_it_is_invented(path: Path) -> None:
    assert path.read_text().startswith("# AN INVENTED SCENARIO")
