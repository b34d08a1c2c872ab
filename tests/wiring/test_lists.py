# SPDX-License-Identifier: MIT
"""Joints, parts list, remarks and the names they use."""

from __future__ import annotations

import csv
import io
import math
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner
from gpiozero.pins.data import SPI_HARDWARE_PINS
from gpiozero.pins.pi import PiBoardInfo
from wired_setups import HARDWARE, setup_of, variants

from rig.cli.wiring import command
from rig.config.analog.model import SPI_LINES
from rig.config.files.loading import load_setup
from rig.wiring import draw, lists
from rig.wiring.names import HEADER_PIN
from rig.wiring.parts import PARTS
from rig.wiring.remarks import low_pass_hz, remarks
from rig.wiring.values import ohms


def test_header_pins_are_those_of_a_gpio_library() -> None:
    """Against gpiozero's own table of the 40-pin header (revision a02082)."""
    header = PiBoardInfo.from_revision(0xA02082).headers["J8"]
    theirs = {
        int(name.removeprefix("GPIO")): pin.number
        for pin in header.pins.values()
        for name in [pin.name]
        if name.startswith("GPIO")
    }
    assert {line: HEADER_PIN[line] for line in theirs} == theirs
    assert len(theirs) >= 26


def test_spi_lines_are_those_of_a_gpio_library() -> None:
    """The library has ports that the setup has not, and has not its port 1 (from memory there)."""
    for port, lines in SPI_LINES.items():
        theirs = SPI_HARDWARE_PINS.get(port)
        if theirs is None:
            assert port == 1
            continue
        assert f"GPIO{lines['clock']}" == theirs["clock"]
        assert f"GPIO{lines['data in']}" == theirs["mosi"]
        assert f"GPIO{lines['data out']}" == theirs["miso"]
        selects = (f"GPIO{lines['select 0']}", f"GPIO{lines['select 1']}")
        assert selects == theirs["select"][:2]


@pytest.mark.parametrize("page", ["README.md", "sensors.md"])
def test_pages_name_the_header_pins_as_the_drawing_does(page: str) -> None:
    said = re.findall(r"GPIO (\d+)(?:,| \(\w+\),) pin (\d+)", (HARDWARE / page).read_text())
    assert said
    for line, pin in said:
        assert HEADER_PIN[int(line)] == int(pin), line


@pytest.mark.parametrize("name", list(variants()))
def test_the_parts_list_has_every_part_of_the_rig(name: str) -> None:
    setup = setup_of(name)
    rows = lists.bought(setup)
    counted = sum(row.quantity for row in rows if row.part)
    in_joints = {
        terminal.rpartition(".")[0]
        for joint in lists.joints(setup)
        for terminal in joint.terminals
        if terminal.split(".")[0].split(" ")[0] in PARTS
    }
    assert counted == len(in_joints)
    assert all(row.kind for row in rows)


def test_values_of_the_parts_list_are_the_setup_s() -> None:
    rows = {(row.part, row.value): row for row in lists.bought(setup_of("everything"))}
    assert rows["R20", "10 k"].where == "pressure, sensor_supply"
    assert rows["R20", "47 k"].quantity == 1
    assert rows["R9", "47 k"].quantity == 3
    assert rows["F1", "3 A"].quantity == rows["S0", ""].quantity == 1
    assert ("F1", "7.5 A") in {(r.part, r.value) for r in lists.bought(setup_of("larger fuse"))}


def test_every_part_of_the_table_is_used_by_some_setup_but_one() -> None:
    used = {row.part for name in variants() for row in lists.bought(setup_of(name))}
    assert set(PARTS) - used == {"R25"}, "R25 goes with a loop supply that no setup states"


def test_the_csv_reads_back(tmp_path: Path) -> None:
    setup = setup_of("everything")
    head, *rows = csv.reader(io.StringIO(lists.as_csv(lists.bought(setup))))
    assert tuple(head) == lists.HEAD
    assert [row[0] for row in rows] == [row.part for row in lists.bought(setup)]


def test_resistances_are_written_as_the_table_does() -> None:
    for part in PARTS.values():
        if part.name[0] == "R":
            assert ohms(part.si) == part.value, part.name


def test_low_pass_is_the_simulated_one() -> None:
    """1 / (2 pi R C) of 7 kohm and 150 nF (any textbook); hardware/circuits simulates it."""
    item = setup_of("everything").analog_of("pressure")
    assert item is not None
    assert low_pass_hz(item) == pytest.approx(1 / (2 * math.pi * 7e3 * 150e-9))
    page = " ".join((HARDWARE / "sensors.md").read_text().split())
    assert f"give {low_pass_hz(item):.0f} Hz" in page


def test_remarks_say_what_is_left_out() -> None:
    def said(name: str) -> str:
        return " ".join(remarks(setup_of(name)))

    assert "No read-back" in said("no read-back")
    assert "No heartbeat" in said("bench") and "No heartbeat" not in said("everything")
    assert "[stop_input]" in said("own pulls") and "[switch]" in said("own pulls")
    assert "24 V: the circuits are simulated for 11 to 16 V" in said("another supply")
    assert "circuits are simulated" not in said("bench")
    assert "7.5 A is more than" in said("larger fuse")
    assert "beyond the relay's contact" in said("feed side ground, shunt")
    assert "R25" in said("current loop")
    assert "supply (from memory)" in said("supply is the reference")


def test_command_shows_and_writes(tmp_path: Path) -> None:
    svg, parts = tmp_path / "rig.svg", tmp_path / "rig.csv"
    shown = CliRunner().invoke(command, [str(HARDWARE / "bench.setup.toml")])
    assert shown.exit_code == 0 and "GPIO 17, pin 11" in shown.output
    words = [str(HARDWARE / "bench.setup.toml"), "--svg", str(svg), "--parts", str(parts)]
    assert CliRunner().invoke(command, words).exit_code == 0
    assert svg.read_text().startswith("<svg") and parts.read_text().startswith("part,")
    again = CliRunner().invoke(command, words)
    assert again.exit_code != 0 and "--force" in str(again.exception)
    assert CliRunner().invoke(command, [*words, "--force"]).exit_code == 0


def test_a_simulated_setup_says_so(tmp_path: Path) -> None:
    demo = Path(__file__).parents[2] / "demo/workshop.setup.toml"
    svg = tmp_path / "demo.svg"
    assert "SIMULATED" in CliRunner().invoke(command, [str(demo)]).output
    CliRunner().invoke(command, [str(demo), "--svg", str(svg)])
    assert "SIMULATED" in svg.read_text()


def test_a_drawing_survives_what_printed_a_pdf_before() -> None:
    """Python keeps one table of XML prefixes for the whole process, and a PDF library takes the
    empty one for itself."""
    ElementTree.register_namespace("", "")
    setup = load_setup(HARDWARE / "bench.setup.toml").setup
    assert all(picture.svg.startswith("<svg") for picture in draw.pictures(setup))
