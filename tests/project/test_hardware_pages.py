# SPDX-License-Identifier: MIT
"""hardware/ and the code say the same: truth tables, lines, drawing, ready setups."""

from __future__ import annotations

import re
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

from rig.config.files.loading import load_setup
from rig.config.setup.model import Setup
from rig.core.records import CONFIRMED_OFF_GROUND
from rig.physics import wire
from rig.physics.feed import FeedSide, FeedState, truth_table
from rig.wiring import parts as part_table
from rig.wiring.draw import check, sketches

HARDWARE = Path(__file__).parents[2] / "hardware"
sys.path.insert(0, str(HARDWARE))

import wiring  # noqa: E402

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


def test_the_drawings_are_what_their_source_draws(tmp_path: Path) -> None:
    for file, svg in wiring.drawings().items():
        fresh = tmp_path / file.name
        fresh.write_text(svg)
        words = drawn_words(fresh)
        assert len(words) > 40
        assert words == drawn_words(file), "run hardware/wiring.py"


def test_the_drawing_and_the_table_name_the_same_lines_and_parts() -> None:
    drawn = " ".join(drawn_words(HARDWARE / "wiring.svg"))
    for kind in (r"GPIO \d+", r"\b[CDFGKQRSUZ]\d+\b"):
        button = {"S2"}  # has the circuit of the loops, and no drawing of its own
        assert set(re.findall(kind, drawn)) == set(re.findall(kind, README)) - button


def test_the_drawing_of_the_sensors_names_what_their_page_names() -> None:
    drawn = " ".join(drawn_words(HARDWARE / "sensors.svg"))
    of_table = {name for name in part_table.PARTS if part_table.of_sensors(name)}
    named = set(re.findall(r"\b[CDFRU]\d+\b", drawn)) & of_table
    page = (HARDWARE / "sensors.md").read_text()
    assert named <= set(re.findall(r"\b[CDFRU]\d+\b", page))
    # a loop and a hall sensor are not in that setup
    assert of_table - named == {"R24", "R25", "R26", "F21", "U24"}


def test_every_value_in_drawing_and_text_is_that_of_the_table_of_parts() -> None:
    drawn = " ".join(drawn_words(HARDWARE / "wiring.svg"))
    said = re.compile(r"\b([CFRZ]\d+) ([0-9.]+ ?(?:ohm|k|V|A|[pnu]F))(?![a-z0-9])")
    for text, fewest in ((drawn, 15), (README, 25), ((HARDWARE / "sensors.md").read_text(), 10)):
        found = said.findall(text)
        assert len(found) >= fewest
        for name, value in found:
            assert value == part_table.PARTS[name].value, name


def test_the_tables_made_from_the_parts_are_up_to_date() -> None:
    for page, sensors in (("README.md", False), ("sensors.md", True)):
        assert part_table.markdown(sensors=sensors) in (HARDWARE / page).read_text()
    assert (HARDWARE / "circuits/parts.inc").read_text() == part_table.spice()


def test_the_limit_of_a_read_back_on_the_ground_side_is_the_simulated_one() -> None:
    row = next(row for row in README.split("\n") if "the same, share of full current" in row)
    assert "at most 50 %" in row and "less than half" in CONFIRMED_OFF_GROUND
    assert "less than half of it (feed side ground" in README


def test_the_wire_carries_what_the_page_says() -> None:
    page = " ".join(README.split())
    area = float(re.findall(r"wire of ([0-9.]+) mm2 or more", part_table.PARTS["F1"].kind)[0])
    among, around = 9, 62.0
    carries = wire.ampacity_a(area, around, circuits=among)
    assert f"{area} mm2 carries {wire.ampacity_a(area):.0f} A free in air at 30 degC" in page
    assert f"{carries:.1f} A among nine loaded wires at {around:.0f} degC" in page
    assert part_table.PARTS["F1"].si <= carries
    drop = wire.resistance_of_area_ohm(area, 6.0)
    assert f"drop {drop:.2f} V at 1 A" in page


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
    assert check(setup, sketches(setup)) == []


STEP_S = 50e-6


def heartbeat_gate_v(until_s: float, stops_s: float) -> list[float]:
    """Voltage at the gate of Q2, stepped by Kirchhoff's laws, beside what tests/circuits has of
    ngspice. The pin changes each 20 ms until `stops_s`. Diodes drop 0.3 V (common practice, no
    source)."""
    r7, r8, r11, c2, c3 = (part_table.PARTS[name].si for name in ("R7", "R8", "R11", "C2", "C3"))
    drop_v = 0.3
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
    assert "stays between 1.8 and 3.0 V" in page
    assert "falls below its threshold 0.1 to 0.5 s after" in page
    assert "thresholds of 0.4 to 1.0 V" in page
    running = heartbeat_gate_v(1.0, stops_s=9.0)[10_000:]  # the last half second
    assert min(running) > 1.8
    assert max(running) < 3.0
    for stops_s in (0.500, 0.510, 0.520, 0.530):  # held high as well as low
        after = heartbeat_gate_v(1.2, stops_s)[int(stops_s / STEP_S) :]
        below = {
            v: next(n for n, gate in enumerate(after) if gate < v) * STEP_S for v in (0.4, 1.0)
        }
        assert 0.1 < below[1.0] < below[0.4] < 0.5


def test_the_page_of_optional_parts_names_setup_tables() -> None:
    for table in ("heartbeat", "stop_input", "cover_input"):
        assert f"`[{table}]`" in README
        assert table in Setup.model_fields
