# SPDX-License-Identifier: MIT
"""[compare] of a strokes sheet: read, refused with reasons, carried by a plan, said in the help."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from config_texts import HOLD, STROKES

from rig.config.files.loading import sheet_from_text
from rig.config.files.problems import key_of
from rig.config.files.resolved import dump, sheet_from_plan
from rig.config.setup.describe import describe_sheet
from rig.config.sheet.compare import Compare
from rig.config.sheet.model import StrokesSheet
from rig.core.errors import FileProblems

FULL = """
[compare]
response_margin = "3 ms"
release_margin = "4 ms"
viscosity_40 = "64 mm^2/s"
viscosity_100 = "10.6 cSt"
viscous_share = "40 %"
response_mounting_sd = "0.8 ms"
release_mounting_sd = "1 ms"
response_per_pressure = ["-0.6 ms/psi", "-0.4 ms/psi"]
response_per_supply = ["-2 ms/V", "0 ms/V"]
response_per_oil_temperature = ["-0.4 ms/K", "-0.2 ms/K"]
release_per_engine_speed = ["-0.01 ms/rpm", "0.01 ms/rpm"]
"""


def compare_of(text: str) -> Compare:
    sheet = sheet_from_text(text, "a.sheet.toml").sheet
    assert isinstance(sheet, StrokesSheet)
    return sheet.compare


def test_every_key_is_read_and_survives_the_plan() -> None:
    found = compare_of(STROKES + FULL)
    assert found.margin_ms("response_ms") == pytest.approx(3)
    assert found.margin_ms("release_ms") == pytest.approx(4)
    assert found.viscosity_100_mm2_s == pytest.approx(10.6)
    assert found.viscous_share == pytest.approx(0.4)
    assert found.mounting_sd_ms("response_ms") == pytest.approx(0.8)
    slopes = found.slopes("response_ms")
    assert slopes["pressure"] == pytest.approx((-0.6 / 6.894757, -0.4 / 6.894757), rel=1e-6)
    assert slopes["oil_temperature"] == (-0.4, -0.2)
    assert set(found.slopes("release_ms")) == {"engine_speed"}
    sheet = sheet_from_text(STROKES + FULL, "a.sheet.toml").sheet
    assert sheet_from_plan(dump(sheet)) == sheet
    keys = {row.key for row in describe_sheet(sheet)}
    assert "compare.response_margin" in keys


def test_without_the_table_nothing_is_judged() -> None:
    found = compare_of(STROKES)
    assert found == Compare()
    assert found.margin_ms("response_ms") is None


@pytest.mark.parametrize(
    ("lines", "key", "what", "remedy"),
    [
        ('response_margin = "0 ms"', "compare.response_margin", "above 0 s", "above 0 s"),
        ('response_margin = "-1 ms"', "compare.response_margin", "above 0 s", "above 0 s"),
        ("release_margin = 3", "compare.release_margin", "without its unit", '"250 ms"'),
        ('release_margin = "3 psi"', "compare.release_margin", "not a time", "ms, s"),
        ('respnse_margin = "3 ms"', "compare.respnse_margin", "not known", "response_margin"),
        ('viscosity_40 = "64 cSt"', "compare.viscosity_100", "no viscosity_100", "data sheet"),
        ('viscosity_100 = "9 cSt"', "compare.viscosity_40", "no viscosity_40", "data sheet"),
        ('viscosity_40 = "9 cSt"\nviscosity_100 = "64 cSt"', "compare.viscosity_100",
         "thicker at 100", "two viscosities"),
        ('viscosity_40 = "9 cSt"\nviscosity_100 = "1 cSt"', "compare.viscosity_100",
         "at least 2", "2 mm^2/s or more"),
        ('response_per_pressure = ["1 ms/psi", "-1 ms/psi"]', "compare.response_per_pressure",
         "reversed", "lower"),
        ('response_per_supply = ["-1 ms/psi", "0 ms/V"]', "compare.response_per_supply",
         "not a time per voltage", "ms/V"),
        ('viscous_share = "130 %"', "compare.viscous_share", "at most 1", "1 or less"),
    ],
)  # fmt: skip
def test_refusals(lines: str, key: str, what: str, remedy: str) -> None:
    with pytest.raises(FileProblems) as caught:
        sheet_from_text(f"{STROKES}[compare]\n{lines}\n", "a.sheet.toml")
    (problem,) = caught.value.problems
    assert problem.key == key
    assert what in problem.what
    assert remedy in problem.remedy


def test_other_kinds_of_sheet_have_nothing_to_compare() -> None:
    with pytest.raises(FileProblems, match="not known"):
        sheet_from_text(HOLD + FULL, "a.sheet.toml")


def test_the_help_has_every_key_and_its_example_loads() -> None:
    text = (Path(__file__).parents[2] / "webui/help/sheet.md").read_text()
    (section,) = re.findall(r"^## \[compare\]$(.*?)(?=^## |\Z)", text, re.M | re.S)
    keys = {key_of(name, field) for name, field in Compare.model_fields.items()}
    assert set(re.findall(r"^\| `([a-z_0-9]+)` \|", section, re.M)) == keys
    (example,) = re.findall(r"(?<=    )\[compare\]\n(?:    .*\n)+", section)
    lines = "\n".join(line.strip() for line in example.splitlines())
    assert compare_of(f"{STROKES}\n{lines}\n").margin_ms("response_ms") is not None
