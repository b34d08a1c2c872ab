# SPDX-License-Identifier: MIT
"""What the simulated circuits join, against the netlist that the drawing is checked with: two parts
that share a node there share a net on a rig that has both."""

from __future__ import annotations

import re
from itertools import combinations
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]
CIRCUITS = TESTS.parent / "hardware/circuits"

from wired_setups import setup_of, variants  # noqa: E402

from rig.wiring.circuit import netlist  # noqa: E402
from rig.wiring.parts import PARTS  # noqa: E402

ELEMENT = re.compile(r"^(?:(?P<two>[RCD])|X(?P<model>[zq]))(?P<digits>[0-9]+) (?P<nodes>.*)$")

THROUGH_CLOSED_CONTACTS = {frozenset(("D7", "D8"))}
"""Joined by a fuse and a closed stop, with the relay fed from the same supply: the worst case."""


def nodes(path: Path) -> dict[str, tuple[str, ...]]:
    """The nodes of each element that is named like a part of the table."""
    found = {}
    for line in path.read_text().splitlines():
        element = ELEMENT.match(line)
        if element is None:
            continue
        part = (element["two"] or element["model"].upper()) + element["digits"]
        if part in PARTS:
            count = 3 if element["model"] == "q" else 2
            found[part] = tuple(element["nodes"].split()[:count])
    return found


def joined() -> set[frozenset[str]]:
    """Pairs of parts, without their places, that share a net in some setup."""
    pairs = set()
    for name in variants():
        for net in netlist(setup_of(name)).nets:
            parts = {re.split(r"[ .]", terminal)[0] for terminal in net.terminals}
            pairs |= {frozenset(pair) for pair in combinations(sorted(parts), 2)}
    return pairs


@pytest.fixture(scope="module")
def pairs() -> set[frozenset[str]]:
    return joined()


def shared(path: Path) -> set[frozenset[str]]:
    own = nodes(path)
    return {
        frozenset((a, b))
        for a, b in combinations(sorted(own), 2)
        if (set(own[a]) & set(own[b])) - {"0"}
    }


@pytest.mark.parametrize("path", sorted(CIRCUITS.glob("*.cir")), ids=lambda path: path.stem)
def test_what_a_circuit_joins_is_joined_on_a_rig(path: Path, pairs: set[frozenset[str]]) -> None:
    wrong = {tuple(sorted(pair)) for pair in shared(path) - pairs - THROUGH_CLOSED_CONTACTS}
    assert not wrong


def test_the_circuits_join_enough_for_this_to_mean_something() -> None:
    counts = {path.stem: len(shared(path)) for path in CIRCUITS.glob("*.cir")}
    assert counts["heartbeat"] >= 8
    assert sum(counts.values()) >= 30
