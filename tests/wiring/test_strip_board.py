# SPDX-License-Identifier: MIT
"""The strip board against the netlist, both ways, and holes that no two legs share."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import pytest
import wired_setups
from click.testing import CliRunner

from rig.cli.main import cli
from rig.wiring.circuit import netlist
from rig.wiring.netlist import differences
from rig.wiring.parts import PARTS
from rig.wiring.strip_board import HEAD, OFF_BOARD, WIRES, Leg, build, read_back

NAMES = sorted(wired_setups.variants())


@pytest.mark.parametrize("name", NAMES)
def test_the_holes_join_what_the_netlist_joins(name: str) -> None:
    setup = wired_setups.setup_of(name)
    board = build(setup)
    assert differences(read_back(board), netlist(setup)) == []
    holes = [(leg.strip, leg.hole) for leg in board.legs]
    assert len(set(holes)) == len(holes)
    for strip in {leg.strip for leg in board.legs}:  # a strip has a part or more, and one net
        assert len({leg.net for leg in board.legs if leg.strip == strip}) == 1


def test_a_leg_in_another_strip_is_noticed_both_ways() -> None:
    setup = wired_setups.setup_of("everything")
    board = build(setup)
    for n in (0, len(board.legs) // 2, len(board.legs) - 1):
        leg = board.legs[n]
        legs = [*board.legs]
        legs[n] = leg._replace(strip=leg.strip % board.size[0] + 1)
        assert differences(read_back(board._replace(legs=tuple(legs))), netlist(setup))
        del legs[n]
        assert differences(read_back(board._replace(legs=tuple(legs))), netlist(setup))


def test_nothing_of_the_coils_circuit_is_on_the_board_and_wires_come_last() -> None:
    board = build(wired_setups.setup_of("everything"))
    assert not {leg.part for leg in board.legs} & OFF_BOARD
    for strip in range(1, board.size[0] + 1):  # one wire: no current can go in and out of a strip
        assert sum(leg.strip == strip and leg.stage == WIRES for leg in board.legs) <= 1
    load = next(net for net in board.off_board if net.words == "LOAD")
    assert {"K1.14", "solenoid.upper", "D1.cathode"} <= load.terminals
    last = [leg.stage == WIRES for leg in board.legs]
    assert all(not a or b for a, b in pairwise(last))
    assert any(last)


def test_no_part_lies_over_a_hole_of_another() -> None:
    board = build(wired_setups.setup_of("everything"))
    by_part: dict[str, list[tuple[int, int]]] = {}
    for leg in board.legs:
        by_part.setdefault(leg.part, []).append((leg.strip, leg.hole))
    holes = {(leg.strip, leg.hole): leg.part for leg in board.legs}
    for part, own in by_part.items():
        if len(own) < 2:
            continue
        column = own[0][1]
        for strip in range(min(s for s, _ in own), max(s for s, _ in own) + 1):
            assert holes.get((strip, column), part) == part


def test_the_command_writes_it(tmp_path: Path) -> None:
    setup, file = wired_setups.HARDWARE / "bench.setup.toml", tmp_path / "board.csv"
    done = CliRunner().invoke(cli, ["wiring", str(setup), "--strip", str(file)])
    assert done.exit_code == 0
    assert file.read_text().startswith("stage,part,value,leg,strip,hole,strip's net")


def test_every_diode_on_the_board_has_its_voltage_and_current() -> None:
    """What each bears by the circuits' own values (Ohm's law), at a load dump of 40 V behind the
    clamp (the circuits' highest supply), at the pin's 3.4 V, at a pick-up of 12 V: well below."""
    rows = [dict(zip(HEAD, leg.row(), strict=True)) for leg in both_sides()]
    diodes = {row["part"].partition(" (")[0]: row for row in rows if row["part"][0] in "DZ"}
    assert {"D2", "D3", "D4", "D5", "D6", "D8", "D9", "D10", "D20", "Z2", "Z3"} <= set(diodes)
    rated = {}
    for name, row in diodes.items():
        assert re.fullmatch(r"[\d.]+ V", row["value"]), row
        found = re.search(r", ([\d.]+) (A|W)\b", row["kind and rating"])
        assert found, row
        rated[name] = float(found[1])
    ohm = {name: part.si for name, part in PARTS.items() if name.startswith("R")}
    bears = {"D3": 40 / ohm["R3"], "D5": 3.4 / ohm["R7"], "D6": 3.4 / ohm["R7"],
             "D20": 12 / ohm["R27"]}  # fmt: skip
    assert all(2 * current < rated[name] for name, current in bears.items()), bears


def both_sides() -> list[Leg]:
    """Of both feed sides: each has parts of its own."""
    return [leg for name in NAMES for leg in build(wired_setups.setup_of(name)).legs]


def test_a_wire_off_the_board_has_no_rating() -> None:
    wires = [leg.row() for leg in both_sides() if leg.stage == WIRES]
    assert wires
    assert {(row[2], row[-1]) for row in wires} == {("", "")}
