# SPDX-License-Identifier: MIT
"""What is drawn is what the netlist joins, both ways, and each mistake is found."""

from __future__ import annotations

import dataclasses
import functools
import itertools
import random
import xml.etree.ElementTree as ElementTree

import pytest
from wired_setups import setup_of, variants

from rig.core.errors import InternalFault
from rig.wiring import sections
from rig.wiring.circuit import netlist
from rig.wiring.draw import check, pictures, sketches
from rig.wiring.netlist import Netlist, differences
from rig.wiring.sketch import Geometry, Named, netlist_of

NAMES = list(variants())
EVERYTHING = ("everything", "feed side ground, hall")


@functools.cache
def drawn(name: str) -> tuple[Geometry, ...]:
    return tuple(sketch.geometry() for sketch in sketches(setup_of(name)))


@functools.cache
def wanted(name: str) -> Netlist:
    return netlist(setup_of(name))


def wrong(name: str, changed: list[Geometry]) -> list[str]:
    try:
        return differences(netlist_of(changed), wanted(name))
    except ValueError as error:
        return [str(error)]


@pytest.mark.parametrize("name", NAMES)
def test_the_drawing_is_the_netlist(name: str) -> None:
    assert check(setup_of(name), sketches(setup_of(name))) == []


def test_the_setups_are_wired_differently() -> None:
    found = {str(sorted(map(str, wanted(name).nets))) for name in NAMES}
    # a larger fuse, another supply and an engine are wired as a bench
    assert len(found) == len(NAMES) - 3


@pytest.mark.parametrize("name", EVERYTHING)
def test_each_wire_left_out_is_found(name: str) -> None:
    whole = list(drawn(name))
    for n, section in enumerate(whole):
        for wire in section.wires:
            rest = [other for other in section.wires if other is not wire]
            changed = [*whole[:n], section._replace(wires=rest), *whole[n + 1 :]]
            assert wrong(name, changed), (section.place, wire)


@pytest.mark.parametrize("name", EVERYTHING)
def test_each_wire_that_joins_two_nets_is_found(name: str) -> None:
    whole = list(drawn(name))
    for n, section in enumerate(whole):
        ends = [at for item in section.placed for at in item.terminals.values()]
        pairs = list(itertools.combinations(dict.fromkeys(ends), 2))
        for pair in random.Random(n).sample(pairs, min(6, len(pairs))):
            changed = [*whole]
            changed[n] = section._replace(wires=[*section.wires, pair])
            found = wrong(name, changed)
            before = netlist_of(whole)
            after = netlist_of(changed)
            same = sorted(map(sorted, (net.terminals for net in before.nets))) == sorted(
                map(sorted, (net.terminals for net in after.nets))
            )
            assert bool(found) != same, (section.place, pair)


@pytest.mark.parametrize("name", EVERYTHING)
def test_each_part_left_out_drawn_twice_or_turned_round_is_found(name: str) -> None:
    whole = list(drawn(name))
    for n, section in enumerate(whole):
        for k, item in enumerate(section.placed):
            less = [*section.placed[:k], *section.placed[k + 1 :]]
            twice = [*section.placed, item]
            ends = list(item.terminals.items())
            swapped = dict(zip(item.terminals, [at for _, at in ends[::-1]], strict=True))
            turned = [*section.placed]
            turned[k] = item._replace(terminals=swapped)
            for placed in (less, twice, turned):
                if placed is turned and len(ends) < 2:
                    continue
                changed = [*whole]
                changed[n] = section._replace(placed=placed)
                assert wrong(name, changed), (section.place, item.printed, placed is twice)


@pytest.mark.parametrize("name", EVERYTHING)
def test_each_wrong_word_is_found(name: str) -> None:
    """Values, names of parts, lines and header pins of lines, names of nets."""
    whole = list(drawn(name))
    for n, section in enumerate(whole):
        for k, item in enumerate(section.placed):
            if item.printed[:1] in "FRCZ":
                value = item.printed.replace(" ", " 1", 1)
                changed = [*whole]
                placed = [*section.placed]
                placed[k] = item._replace(printed=value)
                changed[n] = section._replace(placed=placed)
                assert wrong(name, changed), value
        for k, named in enumerate(section.named):
            other = "GPIO 13" if named.printed.startswith("GPIO") else "3V3"
            if named.printed == "3V3":
                other = "ground"
            names = [*section.named]
            names[k] = named._replace(printed=other)
            changed = [*whole]
            changed[n] = section._replace(named=names)
            assert wrong(name, changed), (section.place, named)


@pytest.mark.parametrize("name", EVERYTHING)
def test_each_section_left_out_is_found(name: str) -> None:
    whole = list(drawn(name))
    for n in range(len(whole)):
        assert wrong(name, [*whole[:n], *whole[n + 1 :]])


def test_a_terminal_in_the_wrong_net_of_the_netlist_is_found() -> None:
    """The other way round: the drawing is right, the list is not."""
    name = "everything"
    right = netlist_of(drawn(name))
    for n, net in enumerate(wanted(name).nets):
        for terminal in net.terminals:
            nets = list(wanted(name).nets)
            nets[n] = net._replace(terminals=net.terminals - {terminal})
            other = (n + 1) % len(nets)
            nets[other] = nets[other]._replace(terminals=nets[other].terminals | {terminal})
            assert differences(right, dataclasses.replace(wanted(name), nets=nets)), terminal


def test_wires_that_cross_are_not_joined() -> None:
    names = [Named("LOAD", (0, 0)), Named("ground", (1, 1))]
    crossed = Geometry("", [], names, [((0, 0), (2, 0)), ((1, -1), (1, 1))], [])
    assert len(netlist_of([crossed]).nets) == 2
    assert len(netlist_of([crossed._replace(dots=[(1, 0)])]).nets) == 1


def test_a_drawing_that_is_not_the_netlist_is_not_handed_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def nothing(*_: object, **__: object) -> None:
        return None

    monkeypatch.setattr(sections, "clamp", nothing)
    with pytest.raises(InternalFault, match="D1 is not drawn"):
        pictures(setup_of("bench"))


@pytest.mark.parametrize("name", NAMES)
def test_what_the_check_reads_is_printed(name: str) -> None:
    """Words that the check takes from the sketch stand in the SVG."""
    for picture, section in zip(pictures(setup_of(name)), drawn(name), strict=True):
        root = ElementTree.fromstring(picture.svg)
        shown = " ".join(
            " ".join(" ".join(text.itertext()).split())
            for text in root.iter("{http://www.w3.org/2000/svg}text")
        )
        for item in section.placed:
            assert item.printed in shown, item.printed
        for named in section.named:
            if named.printed not in ("ground", "supply minus", "engine"):
                assert named.printed in shown, named
