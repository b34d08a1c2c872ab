# SPDX-License-Identifier: MIT
"""Netlists: which terminals of which parts are joined, and where two netlists differ.

A part used in several places has its place after its name: `R9 (stop)`. A terminal is the part's
name, a point, and the terminal's own name: `Q1.gate`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple


class Net(NamedTuple):
    """A net. `names` are those printed beside it; `words` is its common name."""

    names: frozenset[str]
    terminals: frozenset[str]
    words: str = ""


@dataclass
class Netlist:
    """`values` holds what is printed beside each part (empty if it has no value)."""

    values: dict[str, str] = field(default_factory=dict)
    nets: list[Net] = field(default_factory=list)

    def net_of(self, terminal: str) -> Net:
        """The net of a terminal; one of its own if it is unconnected."""
        for net in self.nets:
            if terminal in net.terminals:
                return net
        return Net(frozenset(), frozenset({terminal}))

    @property
    def terminals(self) -> set[str]:
        """Every terminal that is joined to something or has a name."""
        return {terminal for net in self.nets for terminal in net.terminals}


def placed(part: str, place: str) -> str:
    """A part's name with its place, if it is used in several."""
    return f"{part} ({place})" if place else part


class Circuit:
    """Builds a netlist from lines such as `gate of Q1: R1.2 R2.1 Q1.gate`."""

    def __init__(self, printed: Iterable[str]) -> None:
        self._printed = frozenset(printed)
        self._nets: dict[str, set[str]] = {}
        self.values: dict[str, str] = {}

    def is_printed(self, name: str) -> bool:
        """Whether a net's name is printed in the drawings, so that it joins what is separate
        there."""
        return name in self._printed or name.startswith(("GPIO ", "input "))

    def add(self, lines: str, values: Mapping[str, str], place: str = "") -> None:
        """Join what `lines` name. Names of nets that are not printed, and parts, belong to `place`.

        `C22@reference.1` is a part of another place. `values` has every part without its place.
        """
        for line in lines.strip().splitlines():
            name, _, terminals = line.strip().rpartition(": ")
            if not self.is_printed(name):
                name = placed(name, place)
            for terminal in terminals.split():
                whole, _, pin = terminal.rpartition(".")
                part, at, other = whole.partition("@")
                key = placed(part, other if at else place)
                self.values[key] = values[part]
                self._nets.setdefault(name, set()).add(f"{key}.{pin}")

    def done(self) -> Netlist:
        """The netlist of everything added."""
        return Netlist(
            dict(self.values),
            [
                Net(frozenset({n} if self.is_printed(n) else ()), frozenset(terminals), n)
                for n, terminals in self._nets.items()
            ],
        )


def differences(drawn: Netlist, wanted: Netlist) -> list[str]:
    """What the drawing has and the netlist lacks, and the reverse; empty if they agree."""
    return list(_differences(drawn, wanted))


def _differences(drawn: Netlist, wanted: Netlist) -> Iterator[str]:
    for part in sorted(drawn.values.keys() - wanted.values.keys()):
        yield f"{part} is drawn and stands in no netlist"
    for part in sorted(wanted.values.keys() - drawn.values.keys()):
        yield f"{part} is not drawn"
    for part in sorted(drawn.values.keys() & wanted.values.keys()):
        if drawn.values[part] != wanted.values[part]:
            yield f'{part} is drawn as "{drawn.values[part]}" and is "{wanted.values[part]}"'
    both = drawn.terminals & wanted.terminals
    for terminal in sorted(drawn.terminals ^ wanted.terminals):
        joined = "drawn" if terminal in drawn.terminals else "to be"
        yield f"{terminal} is {joined} joined to something, and only there"
    for here, there, words in (
        (drawn, wanted, "drawn as one, and are not"),
        (wanted, drawn, "not drawn as one, and are"),
    ):
        for net in here.nets:
            pieces = {there.net_of(terminal).terminals for terminal in net.terminals & both}
            if len(pieces) > 1:
                yield f"{words}: {' | '.join(sorted(_some(piece & both) for piece in pieces))}"
    for terminal in sorted(both):
        here_names, there_names = drawn.net_of(terminal).names, wanted.net_of(terminal).names
        for name in sorted(here_names - there_names):
            yield f"{terminal} is drawn at {name}"
        for name in sorted(there_names - here_names):
            yield f"{terminal} is not drawn at {name}"


def _some(terminals: frozenset[str]) -> str:
    first = sorted(terminals)[:3]
    return ", ".join([*first, "..."] if len(terminals) > 3 else first)
