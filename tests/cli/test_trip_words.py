# SPDX-License-Identifier: MIT
"""What a terminal shows before a run and of one that tripped: once, and no number without its
unit."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

DEMO = Path(__file__).parents[2] / "demo"
WORDS = "Releasing the coil does not lower the supply pressure"
OFF = "The rig stays off until `rig clear`."


def tripped(tmp_path: Path, *more: str, together: bool) -> tuple[str, str]:
    """Output and errors of a run whose pressure goes over the limit, in a terminal of 60 columns
    (`together`) or apart."""
    setup = (DEMO / "workshop.setup.toml").read_text()
    setup = setup.replace('"80 psi"', '"30 psi"').replace(
        '["0 psi", "60 psi"]', '["0 psi", "25 psi"]'
    )
    sheet = (DEMO / "workshop.sheet.toml").read_text().replace("base_pressure_min", "# ")
    (tmp_path / "x.setup.toml").write_text(setup)
    (tmp_path / "x.sheet.toml").write_text(sheet)
    done = subprocess.run(
        [sys.executable, "-m", "rig.cli.main", "run", "x.setup.toml", "x.sheet.toml", "--fast",
         *more],
        cwd=tmp_path, env={**os.environ, "COLUMNS": "60"}, stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT if together else subprocess.PIPE, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 3
    return done.stdout, done.stderr or ""


def test_a_trip_is_said_once_where_output_and_errors_go_to_one_place(tmp_path: Path) -> None:
    said, _ = tripped(tmp_path, together=True)
    words = " ".join(said.split())
    assert words.count(WORDS) == words.count(OFF) == words.count("TRIPPED") == 1
    assert words.index(OFF) < words.index("NOT TESTED") < words.index("First: ")


@pytest.mark.parametrize("more", [(), ("--full",)])
def test_a_trip_is_said_on_both_where_they_go_apart(tmp_path: Path, more: tuple[str, ...]) -> None:
    """A file of the output must not leave it out; after much output it comes again at the end."""
    out, err = (" ".join(text.split()) for text in tripped(tmp_path, *more, together=False))
    assert out.count(WORDS) == err.count(WORDS) == 1
    assert err.endswith(OFF) == bool(more)


def test_what_was_found_before_a_run_fits_a_narrow_terminal(tmp_path: Path) -> None:
    _, err = tripped(tmp_path, together=False)
    lines = err.partition("TRIPPED")[0].splitlines()
    assert max(map(len, lines)) <= 60
    for line in lines:
        first = line.split()[:1]
        assert first not in (["ms,"], ["ms."], ["s,"], ["kPa,"], ["kPa"], ["s"]), line
