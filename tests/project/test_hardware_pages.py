# SPDX-License-Identifier: MIT
"""hardware/ and the code say the same: truth tables, lines, drawing, ready setups."""

from __future__ import annotations

import importlib.util
import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

from rig.config.files.loading import load_setup
from rig.config.setup.model import Setup
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
    for kind in (r"GPIO \d+", r"\b[CDFKQRSUZ]\d+\b"):
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


STEP_S = 50e-6


def heartbeat_gate_v(until_s: float, stops_s: float) -> list[float]:
    """Voltage at the gate of Q2, stepped by Kirchhoff's laws. R7, R8, R11, C2, C3 as drawn; the
    pin changes each 20 ms until `stops_s`. Diodes drop 0.3 V (common practice, no source)."""
    r7, r8, r11, c2, c3, drop_v = 220.0, 100e3, 10e3, 10e-6, 2.2e-6, 0.3
    c2_v = gate_v = 0.0
    out = []
    for n in range(int(until_s / STEP_S)):
        pin_v = 3.3 if int(min(n * STEP_S, stops_s) / 0.020) % 2 else 0.0
        # the node between C2, D5, D6 and R11, first with both diodes blocking
        into_a = (pin_v - c2_v) / (r7 + r11)
        node_v = into_a * r11
        d6_a = 0.0
        if node_v > gate_v + drop_v:
            node_v = gate_v + drop_v
            into_a = (pin_v - c2_v - node_v) / r7
            d6_a = into_a - node_v / r11
        elif node_v < -drop_v:
            into_a = (pin_v - c2_v + drop_v) / r7
        c2_v += into_a * STEP_S / c2
        gate_v += (d6_a - gate_v / r8) * STEP_S / c3
        out.append(gate_v)
    return out


def test_the_heartbeat_circuit_does_what_the_page_says() -> None:
    page = " ".join(README.split())
    assert "stays between 2.1 and 2.7 V" in page
    assert "falls below its threshold 0.1 to 0.4 s after" in page
    assert "thresholds of 0.6 to 1.2 V" in page
    running = heartbeat_gate_v(1.0, stops_s=9.0)[10_000:]  # the last half second
    assert min(running) > 2.1
    assert max(running) < 2.7
    for stops_s in (0.500, 0.510, 0.520, 0.530):  # held high as well as low
        after = heartbeat_gate_v(1.2, stops_s)[int(stops_s / STEP_S) :]
        below = {
            v: next(n for n, gate in enumerate(after) if gate < v) * STEP_S for v in (0.6, 1.2)
        }
        assert 0.1 < below[1.2] < below[0.6] < 0.4


def test_the_page_of_optional_parts_names_setup_tables() -> None:
    for table in ("heartbeat", "stop_input", "cover_input"):
        assert f"`[{table}]`" in README
        assert table in Setup.model_fields
