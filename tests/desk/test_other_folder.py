# SPDX-License-Identifier: MIT
"""A run started in a folder that holds files named like modules of Python."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from setups import workshop_sheet

DEMO = Path(__file__).parents[2] / "demo"


def test_files_of_the_folder_one_stands_in_are_not_taken_for_modules(tmp_path: Path) -> None:
    """Somebody's own tty.py beside the captures kept every run from starting."""
    for name in ("tty", "json", "rig"):
        (tmp_path / f"{name}.py").write_text('raise SystemExit("taken from the wrong folder")\n')
    (tmp_path / "one.sheet.toml").write_text(workshop_sheet(1))
    rig = Path(sys.executable).with_name("rig")
    setup = (DEMO / "workshop.setup.toml").read_text().replace(
        "[limits]\n", '[limits]\nreadback_delay = "500 ms"\ngauge_stale = "5 s"\n'
    )  # fmt: skip
    (tmp_path / "one.setup.toml").write_text(setup)
    done = subprocess.run(
        [rig, "run", "one.setup.toml", "one.sheet.toml", "--tsv"], cwd=tmp_path, timeout=120,
        capture_output=True, text=True, env={**os.environ, "RIG_DATA": str(tmp_path / "data")},
    )  # fmt: skip
    assert "wrong folder" not in done.stdout + done.stderr
    assert done.returncode in (0, 5), done.stderr
