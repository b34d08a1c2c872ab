# SPDX-License-Identifier: MIT
"""The strip board against the netlist, both ways, and holes that no two legs share."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
import wired_setups
from click.testing import CliRunner

from rig.cli.main import cli
from rig.wiring.circuit import netlist
from rig.wiring.netlist import differences
from rig.wiring.strip_board import OFF_BOARD, WIRES, build, read_back

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
