# SPDX-License-Identifier: MIT
"""The golden record: what the program says may change only where somebody means it to.

    python tests/golden/recording.py tests/golden/record

writes the record anew; the commit that does says why each difference is right.
"""

from __future__ import annotations

import difflib
import os
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
RECORD = HERE / "record"
NAMES = sorted(path.name for path in RECORD.iterdir())
SHOWN = 40


@pytest.fixture(scope="module")
def now(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What the program says now, by file."""
    folder = tmp_path_factory.mktemp("golden")
    environment = {key: value for key, value in os.environ.items() if key != "RIG_DATA"}
    subprocess.run(
        [sys.executable, str(HERE / "recording.py"), str(folder)], check=True, env=environment,
        timeout=110,
    )  # fmt: skip
    return {path.name: path.read_text() for path in folder.iterdir()}


def test_the_record_has_the_files_of_today(now: dict[str, str]) -> None:
    assert sorted(now) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_nothing_changed(name: str, now: dict[str, str]) -> None:
    was = (RECORD / name).read_text()
    if now[name] == was:
        return
    lines = difflib.unified_diff(
        was.splitlines(), now[name].splitlines(), "recorded", "now", n=1, lineterm=""
    )
    differences = list(lines)
    more = f"\n... {len(differences) - SHOWN} more lines" if len(differences) > SHOWN else ""
    pytest.fail("\n".join(differences[:SHOWN]) + more + f"\n{__doc__}", pytrace=False)
