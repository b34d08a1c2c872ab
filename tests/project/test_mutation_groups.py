# SPDX-License-Identifier: MIT
"""The groups of tests/mutation name modules and tests that are there."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
GROUPS = tomllib.loads((ROOT / "tests/mutation/groups.toml").read_text())


@pytest.mark.parametrize("name", GROUPS)
def test_every_module_and_every_test_of_a_group_is_there(name: str) -> None:
    """A file that was moved would be asked about no more, and nothing would say so."""
    group = GROUPS[name]
    assert group["kind"] in ("safety", "numbers")
    assert set(group) <= {"kind", "modules", "tests", "alone"}
    missing = [one for one in [*group["modules"], *group["tests"]] if not any(ROOT.glob(one))]
    assert not missing


@pytest.mark.parametrize("name", GROUPS)
def test_what_is_judged_by_the_clock_is_asked_alone(name: str) -> None:
    """Beside each other its tests would be late, and a late one would count as a catch."""
    by_the_clock = any(
        one.startswith(("tests/desk", "tests/recorder")) for one in GROUPS[name]["tests"]
    )
    assert GROUPS[name].get("alone", False) is by_the_clock
