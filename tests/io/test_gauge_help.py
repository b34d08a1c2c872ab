# SPDX-License-Identifier: MIT
"""The examples of the help page are read as the page says."""

import re
from pathlib import Path

import pytest

from rig.config.gauge.units import KNOWN_UNITS, table_factor
from rig.core.records import GOOD, Sample
from rig.io.gauges.pattern import compile_pattern

HELP = Path(__file__).parents[2] / "webui/help/gauge.md"


def examples() -> list[tuple[str, str, str | None]]:
    section = HELP.read_text(encoding="utf-8").partition("### Examples")[2].partition("###")[0]
    rows = re.findall(r"^\| `(.+?)` \| `(.+?)` \| (?:`(.+?)` )?\|$", section, re.MULTILINE)
    return [(line, pattern, unit or None) for line, pattern, unit in rows]


def test_the_page_has_its_examples() -> None:
    assert len(examples()) == 10


@pytest.mark.parametrize(("line", "pattern", "unit"), examples())
def test_example(line: str, pattern: str, unit: str | None) -> None:
    """Every line of the table shows the same pressure, 161.3 kPa = 23.4 psi."""
    got = compile_pattern(pattern, unit).decode(0, line.encode())
    assert isinstance(got, Sample)
    assert got.quality == GOOD
    assert got.value == pytest.approx(161.3, abs=0.1)


def test_every_unit_the_page_names_is_known() -> None:
    words = HELP.read_text(encoding="utf-8").partition("## Units")[2].partition(" are known")[0]
    aliases = re.search(r" \(also (.+?)\)", words)
    assert aliases is not None
    named = re.split(r", | and ", " ".join(words.replace(aliases[0], "").split()))
    assert named == KNOWN_UNITS.split(", ")
    assert all(table_factor(unit) for unit in named)
    assert {table_factor(unit) for unit in aliases[1].split(" and ")} == {table_factor("psi")}
