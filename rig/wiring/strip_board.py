# SPDX-License-Identifier: MIT
"""A hole-by-hole build on strip board, from the netlist: one strip for each net, no cuts.

A part lies across its strips with a leg in each. What carries the coil's current, and every device,
stays off the board and is joined by a wire. The placement is read back and checked against the
netlist before it is handed out.
"""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from typing import NamedTuple

from rig.config.setup.model import Setup
from rig.wiring.circuit import netlist
from rig.wiring.names import PRINTED
from rig.wiring.netlist import Circuit, Net, Netlist, differences
from rig.wiring.parts import PARTS

OFF_BOARD = frozenset({"F1", "F2", "S0", "S1", "S2", "K1", "D7", "D1", "Z1", "G1", "R32"})
"""In the coil's circuit (a strip of copper is no wire of 0.75 mm2), or screwed down elsewhere."""
STAGES: tuple[tuple[str, frozenset[str]], ...] = (
    ("ground and 3.3 V", frozenset({"R12", "D10"})),
    ("relay driver", frozenset({"R1", "R2", "Q1", "D8", "D2", "Z2"})),
    ("heartbeat", frozenset({"R7", "C2", "R11", "D5", "D6", "C3", "R8", "Q2"})),
    ("read-back", frozenset({"R3", "R15", "Z3", "D3", "U1", "R4"})),
    ("pressure switch", frozenset({"R5", "C1", "R6", "D4", "Z4"})),
    ("stop, cover, confirm", frozenset({"R9", "C4", "R10", "D9", "Z5"})),
)
"""Stages built and measured one after the other; parts in none belong to SENSORS."""
SENSORS = "sensors"
WIRES = "wires off the board"
HEAD = ("stage", "part", "value", "leg", "strip", "hole", "strip's net", "kind and rating")
ORDERINGS = 12
LAMP_FIRST = (
    "Fuse out, solenoid unplugged, board's power off: with a meter, each strip is joined to "
    "nothing but what the table puts on it; 3V3 to ground reads R12's value, not a short.",
    "Board's power on, fuse out: 3.3 V at 3V3; the relay does not click.",
    "A lamp, or a resistor of about the coil's current, in the solenoid's place; fuse in: "
    "`rig commission SETUP`, up to its lamp steps.",
    "Only then the solenoid, without pressure; then with little.",
)


class Leg(NamedTuple):
    """One leg of a part, or one wire to something off the board, in its hole. Strips and holes
    count from 1."""

    stage: str
    part: str
    value: str
    terminal: str
    strip: int
    hole: int
    net: str

    def row(self) -> tuple[str, ...]:
        """Fields as in HEAD."""
        leg, part = self.terminal.rpartition(".")[2], PARTS.get(_base(self.part))
        value = self.value or (part.value if part is not None else "")
        place = (leg, str(self.strip), str(self.hole), self.net)
        return (self.stage, self.part, value, *place, part.kind if part is not None else "")


class StripBoard(NamedTuple):
    """`off_board` are joints made by separate wires. A strip whose net continues there has one wire
    to it, so that no coil current flows through a strip."""

    legs: tuple[Leg, ...]
    off_board: tuple[Net, ...]
    values: dict[str, str]

    @property
    def size(self) -> tuple[int, int]:
        """Strips, and holes in each."""
        return max(leg.strip for leg in self.legs), max(leg.hole for leg in self.legs)


def build(setup: Setup) -> StripBoard:
    """The build of a setup's rig. Raises ValueError if the placement does not match the netlist."""
    wanted = netlist(setup)
    nets = [net for net in wanted.nets if any(map(_on_board, net.terminals))]
    order = _ordered(nets)
    outside = {net: sorted(t for t in net.terminals if not _on_board(t)) for net in order}
    strip_of = {
        t: n
        for n, net in enumerate(order, 1)
        for t in net.terminals
        if _on_board(t) or t == outside[net][0]
    }
    parts: defaultdict[str, list[str]] = defaultdict(list)
    for terminal in sorted(strip_of):
        part = terminal.rpartition(".")[0]
        parts[part if _on_board(terminal) else terminal].append(terminal)
    taken: set[tuple[int, int]] = set()
    legs: list[Leg] = []
    stages = [WIRES, *(name for name, _ in STAGES), SENSORS]  # wires along the edge
    for key in sorted(parts, key=lambda key: (stages.index(_stage(key)), key)):
        terminals, wire = parts[key], _stage(key) == WIRES
        for terminal, hole in zip(terminals, _free(terminals, strip_of, taken), strict=True):
            strip = strip_of[terminal]
            taken.add((strip, hole))
            part = f"wire to {key}" if wire else key
            value = "" if wire else wanted.values[key]
            legs.append(
                Leg(_stage(key), part, value, terminal, strip, hole, order[strip - 1].words)
            )
    off = [net for net in wanted.nets if net not in nets]
    off += [net._replace(terminals=frozenset(t)) for net, t in outside.items() if len(t) > 1]
    legs.sort(key=lambda leg: leg.stage == WIRES)  # and the last to be soldered
    board = StripBoard(tuple(legs), tuple(off), wanted.values)
    wrong = differences(read_back(board), wanted)
    if wrong:
        raise ValueError(f"the build is not the netlist: {'; '.join(wrong[:5])}")
    return board


def read_back(board: StripBoard) -> Netlist:
    """What the holes join, by their strips alone."""
    strips: defaultdict[int, set[str]] = defaultdict(set)
    names: dict[int, str] = {}
    for leg in board.legs:
        strips[leg.strip].add(leg.terminal)
        names[leg.strip] = leg.net
    printed = Circuit(PRINTED).is_printed
    nets = [
        Net(frozenset({names[n]} if printed(names[n]) else ()), frozenset(found), names[n])
        for n, found in strips.items()
    ]
    for net in board.off_board:  # a strip's single wire leads to these
        at = [n for n, one in enumerate(nets) if one.terminals & net.terminals]
        both = frozenset().union(net.terminals, *(nets[n].terminals for n in at))
        names_of = frozenset().union(net.names, *(nets[n].names for n in at))
        nets = [one for n, one in enumerate(nets) if n not in at]
        nets.append(Net(names_of, both, net.words))
    values = {leg.part: leg.value for leg in board.legs if leg.stage != WIRES}
    off = {part: value for part, value in board.values.items() if not _on_board(f"{part}.")}
    return Netlist(values | off, [*nets, *board.off_board])


def _base(part: str) -> str:
    return part.partition(" (")[0]


def _on_board(terminal: str) -> bool:
    base = _base(terminal.rpartition(".")[0])
    return base in PARTS and base not in OFF_BOARD


def _stage(key: str) -> str:
    """Of a part; of a terminal off the board, WIRES."""
    if not _on_board(f"{key}."):
        return WIRES
    return next((name for name, parts in STAGES if _base(key) in parts), SENSORS)


def _ordered(nets: list[Net]) -> list[Net]:
    """Place nets that share parts side by side, so that legs stay short (mean position of the
    neighbours, repeated a few times)."""
    parts: defaultdict[str, set[int]] = defaultdict(set)
    for n, net in enumerate(nets):
        for terminal in net.terminals:
            if _on_board(terminal):
                parts[terminal.rpartition(".")[0]].add(n)
    place = {n: float(n) for n in range(len(nets))}
    for _ in range(ORDERINGS):
        mean = {
            n: sum(sum(place[m] for m in joined) / len(joined) for joined in parts.values()
                   if n in joined) / max(1, sum(n in joined for joined in parts.values()))
            for n in place
        }  # fmt: skip
        place = {n: float(k) for k, n in enumerate(sorted(mean, key=lambda n: (mean[n], n)))}
    return [nets[n] for n in sorted(place, key=place.__getitem__)]


def _free(terminals: list[str], strip_of: dict[str, int], taken: set[tuple[int, int]]) -> list[int]:
    """Holes for the legs, left to right: all in one column if they are on different strips, and no
    two legs in one hole."""
    column = 1
    while True:
        holes, mine = [], set()
        for terminal in terminals:
            hole = column
            while (strip_of[terminal], hole) in mine:
                hole += 1
            mine.add((strip_of[terminal], hole))
            holes.append(hole)
        low, high = min(strip_of[t] for t in terminals), max(strip_of[t] for t in terminals)
        across = {(strip, column) for strip in range(low, high + 1)} | mine
        if not across & taken:
            if len(terminals) > 1:  # the body covers the strips between its legs
                taken |= across
            return holes
        column += 1


def as_csv(board: StripBoard) -> str:
    """The holes as CSV (RFC 4180), stage by stage."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(HEAD)
    writer.writerows(leg.row() for leg in board.legs)
    return text.getvalue()
