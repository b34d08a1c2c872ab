# SPDX-License-Identifier: MIT
"""The help page names every key and fault of the simulated rig, with its real default."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from rig.config.plant.fault_names import FAULT_KINDS
from rig.config.plant.model import SimulatedRig
from rig.config.quantity_types import Dimension
from rig.core.quantities import parse

TEXT = (Path(__file__).parents[2] / "webui/help/simulated.md").read_text()

PARTS: dict[str, type[BaseModel]] = {
    name: field.annotation
    for name, field in SimulatedRig.model_fields.items()
    if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel)
}


def rows(table: str) -> dict[str, str]:
    """Key -> usual value, of one table of the page."""
    found = re.findall(rf"^### `\[{re.escape(table)}\]`$(.*?)(?=^### |\Z)", TEXT, re.M | re.S)
    assert len(found) == 1, table
    return dict(re.findall(r"^\| `(\w+)` \| ([^|]*?) \|", found[0], re.M))


def keys(model: type[BaseModel]) -> dict[str, Any]:
    return {
        field.alias or name: (field.default, field.metadata)
        for name, field in model.model_fields.items()
        if name not in PARTS or model is not SimulatedRig
    }


@pytest.mark.parametrize("table", ["simulated", *(f"simulated.{part}" for part in PARTS)])
def test_every_key_and_its_usual_value(table: str) -> None:
    model = PARTS[table.split(".")[1]] if "." in table else SimulatedRig
    shown, real = rows(table), keys(model)
    assert list(shown) == list(real)
    for key, (default, metadata) in real.items():
        text = shown[key].strip("`")
        dimensions = [item.name for item in metadata if isinstance(item, Dimension)]
        if default == ():
            assert text in ('"none"', "none")
        elif default is None:
            assert text in ("the setup's", "none", "no", "6 kPa")
        elif dimensions:
            assert parse(text, dimensions[0]) == pytest.approx(default)
        elif isinstance(default, bool):
            assert text == str(default).lower()
        elif isinstance(default, str):
            assert text == f'"{default}"'
        else:
            assert float(text) == default


def test_every_fault_has_its_row() -> None:
    section = TEXT.split("## Hidden faults")[1].split("\n## ")[0]
    shown = re.findall(r"^\| (\w+) \| `([^`]+)` \| ([^|]*) \| ([^|]*) \|$", section, re.M)
    assert shown[1:] == [
        (kind.part, name, kind.what, kind.degree_words) for name, kind in FAULT_KINDS.items()
    ]


def test_it_says_what_it_is() -> None:
    assert "says SIMULATED" in TEXT
    assert "invented" in TEXT
    assert "## What it assumes" in TEXT
