# SPDX-License-Identifier: MIT
"""hardware/ and the code say the same: truth tables, lines, drawing, ready setups."""

from __future__ import annotations

import importlib.util
import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

from rig.config.loading import load_setup
from rig.physics.feed import FeedSide, FeedState, truth_table

HARDWARE = Path(__file__).parents[2] / "hardware"
README = (HARDWARE / "README.md").read_text()
READY = sorted(HARDWARE.glob("*.setup.toml"))


def row(state: FeedState) -> str:
    """One line of the table in README.md."""
    yes = {True: "yes", False: "no"}
    commanded = "on" if state.commanded_on else "off"
    name = commanded if state.fault == "none" else f"{state.fault}, {commanded}"
    says = "live" if state.reads_live else "dead"
    wrong = " (wrong)" if state.reads_live != state.coil_live else ""
    return f"| {name} | {yes[state.voltage_present]} | {yes[state.coil_live]} | {says}{wrong} |"


@pytest.mark.parametrize("side", ["supply", "ground"])
def test_truth_tables_equal_the_code(side: FeedSide) -> None:
    after = README.split(f"Feed side {side}: ")[1].split("\n\n")[1]
    assert after.splitlines()[2:] == [row(state) for state in truth_table(side)]


def drawn_words(path: Path) -> list[str]:
    return sorted(
        " ".join(element.itertext()).strip()
        for element in ElementTree.parse(path).iter("{http://www.w3.org/2000/svg}text")
    )


def test_the_drawing_is_what_its_source_draws(tmp_path: Path) -> None:
    spec = importlib.util.spec_from_file_location("wiring", HARDWARE / "wiring.py")
    assert spec is not None and spec.loader is not None
    wiring = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(wiring)
    wiring.draw().save(str(tmp_path / "fresh.svg"))
    words = drawn_words(tmp_path / "fresh.svg")
    assert len(words) > 40
    assert words == drawn_words(HARDWARE / "wiring.svg")


def test_the_drawing_and_the_table_name_the_same_lines_and_parts() -> None:
    drawn = " ".join(drawn_words(HARDWARE / "wiring.svg"))
    for kind in (r"GPIO \d+", r"\b[CDFKQRSUZ]\d\b"):
        assert set(re.findall(kind, drawn)) == set(re.findall(kind, README))


def test_two_setups_are_ready_and_named() -> None:
    assert len(READY) >= 2
    for path in READY:
        assert f"`{path.name}`" in README


@pytest.mark.parametrize("path", READY, ids=lambda path: path.name)
def test_ready_setups_are_accepted_and_wired_as_drawn(path: Path) -> None:
    setup = load_setup(path).setup
    assert setup.backend == "board"
    assert setup.readback is not None
    assert (setup.relay.line, setup.switch.line, setup.readback.line) == (17, 22, 27)
    assert setup.switch_closed_level == 0
    assert setup.readback.voltage_reads == "high"
