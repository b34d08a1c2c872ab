# SPDX-License-Identifier: MIT
"""Every file beside the Python ones goes along when the project is installed."""

from __future__ import annotations

import glob
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())
DATA = PROJECT["tool"]["setuptools"]["package-data"]


@pytest.mark.parametrize("package", ["rig", "webui"])
def test_data_files_are_covered(package: str) -> None:
    folder = ROOT / package
    there = {
        str(path.relative_to(folder))
        for path in folder.rglob("*")
        if path.is_file() and path.suffix not in (".py", ".pyc")
    }
    covered = {
        name
        for pattern in DATA[package]
        for name in glob.glob(pattern, root_dir=folder, recursive=True)
    }
    assert there
    assert there <= covered


def test_extras_that_the_commands_ask_for_exist() -> None:
    extras = PROJECT["project"]["optional-dependencies"]
    assert {"board", "test", "pdf"} <= set(extras)
    assert {name.split(">")[0] for name in extras["board"]} == {"gpiod", "lgpio", "spidev"}
