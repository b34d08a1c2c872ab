# SPDX-License-Identifier: MIT
"""A section of the drawing, and the netlist that can be read back from it.

Connections are derived from positions on the paper, names and values from what is printed: a wire
that ends beside its part, a diode the wrong way round or a wrong number at a line is detected.
Wires that cross join only if a dot is drawn or one of them ends there.
"""

from __future__ import annotations

import itertools
import math
import re
import threading
from collections.abc import Iterable
from typing import Any, Literal, NamedTuple

import schemdraw
from schemdraw import elements as elm

from rig.wiring.names import with_pin
from rig.wiring.netlist import Net, Netlist, placed

XY = tuple[float, float]
Halign = Literal["left", "center", "right"]
Side = Literal["left", "right", "top", "bottom"]
GroundKind = Literal["ground", "supply minus", "engine"]

FONT = 12.0
NEAR = 1e-3
"""Drawing units; points nearer than this are one."""

DRAWS = threading.Lock()
"""The drawing library stores its choice of canvas once for the whole process."""

TWO = ("start", "end")
PINS: dict[str, tuple[tuple[str, str], ...]] = {
    "Diode": (("start", "anode"), ("end", "cathode")),
    "Schottky": (("start", "anode"), ("end", "cathode")),
    "Zener": (("start", "anode"), ("end", "cathode")),
    "NFet": (("gate", "gate"), ("drain", "drain"), ("source", "source")),
    "Optocoupler": (
        ("anode", "anode"), ("cathode", "cathode"), ("collector", "collector"),
        ("emitter", "emitter"),
    ),
}  # fmt: skip
"""Anchors of a drawn symbol, and the terminals they stand for; all others have two ends."""

_PART = re.compile(r"(?P<part>[A-Z][0-9]+)(?: coil| contact)?(?: (?P<value>[^,]*))?")
DEVICE_WORDS = {
    "solenoid": "solenoid", "pressure switch": "switch", "serial gauge": "gauge",
    "your own circuit": "yours", "sensor": "sensor",
}  # fmt: skip
"""Text printed beside something that is not in the table of parts."""


class Placed(NamedTuple):
    """Something with terminals, as placed on the paper."""

    printed: str
    """Words beside it, one line."""
    terminals: dict[str, XY]


class Named(NamedTuple):
    """A point with a net's name printed beside it."""

    printed: str
    at: XY


class Geometry(NamedTuple):
    """The contents of one section."""

    place: str
    placed: list[Placed]
    named: list[Named]
    wires: list[tuple[XY, XY]]
    dots: list[XY]


class Sketch:
    """One section being drawn. `place` distinguishes its parts from those of a similar section."""

    def __init__(self, title: str, place: str = "") -> None:
        self.title, self.place = title, place
        self.drawing = schemdraw.Drawing(show=False, canvas="svg")
        self.drawing.config(fontsize=FONT, unit=2.5, bgcolor="white", margin=0.5)
        self._placed: list[Placed] = []
        self._named: list[Named] = []
        self._wires: list[elm.Line] = []
        self._dots: list[elm.Element] = []

    def part(
        self, symbol: type[elm.Element2Term], words: str, start: XY, end: XY, *,
        side: Side = "top", pins: tuple[str, str] = ("1", "2"), ofst: float = 0.1,
        **options: Any,
    ) -> None:  # fmt: skip
        """A part with two ends from `start` to `end`; diodes from anode to cathode. `side` is the
        side of the text, as the library counts it along the part."""
        element = symbol(**options).at(start).to(end).label(words, loc=side, ofst=ofst)
        self.drawing += element
        known = PINS.get(symbol.__name__, tuple(zip(TWO, pins, strict=True)))
        self._note(element, words, known)

    def symbol(
        self, element: elm.Element, words: str, words_at: XY, halign: Halign = "left"
    ) -> Any:
        """A transistor or opto-coupler already placed; its text is at `words_at`."""
        self.drawing += element
        self.text(words, words_at, halign)
        self._note(element, words, PINS[type(element).__name__])
        return element

    def block(
        self, words: str, at: XY, size: XY, pins: Iterable[tuple[str, str, Side]], pad: float = 0.3
    ) -> dict[str, XY]:
        """A box with its lower left corner at `at`: pins are terminal, words inside, and side, from
        top to bottom or left to right; `pad` keeps them away from the corners. Returns where each
        terminal is."""
        found = list(pins)
        of_library = [
            elm.IcPin(name=shown or None, side=side, anchorname=f"t_{terminal}")
            for terminal, shown, side in _library_order(found)
        ]
        box = elm.Ic(
            size=size, pins=of_library, plblsize=FONT, edgepadH=pad, edgepadW=pad, leadlen=0.5
        )
        self.drawing += box.at(at).theta(0).label(words, loc="center", fontsize=FONT)
        anchors = tuple((f"t_{terminal}", terminal) for terminal, _, _ in found)
        self._note(box, words, anchors)
        return dict(self._placed[-1].terminals)

    def wire(self, *points: XY) -> None:
        """A line from point to point."""
        for here, there in itertools.pairwise(points):
            if math.dist(here, there) < NEAR:
                continue
            line = elm.Line().at(here).to(there)
            self.drawing += line
            self._wires.append(line)

    def dot(self, *points: XY) -> None:
        """A junction dot."""
        for point in points:
            dot = elm.Dot().at(point)
            self.drawing += dot
            self._dots.append(dot)

    def terminal(self, words: str, at: XY, side: Side = "left") -> None:
        """An open circle with the name of a net, its first line."""
        self.drawing += elm.Dot(open=True).at(at).label(words, loc=side, ofst=0.15)
        self._named.append(Named(words.split("\n")[0], at))

    def line_terminal(self, line: int, remark: str, at: XY, side: Side = "left") -> None:
        """A GPIO line with its pin on the header."""
        self.terminal(f"{with_pin(line)}\n{remark}".rstrip(), at, side)

    def rail(self, words: str, at: XY) -> None:
        """A supply above `at`."""
        vdd: Any = elm.Vdd
        self.drawing += vdd().at(at).label(words)
        self._named.append(Named(words, at))

    def ground(self, at: XY, kind: GroundKind = "ground", words: str = "") -> None:
        """A ground below `at`: each of the three has a symbol of its own."""
        symbols = {
            "ground": elm.Ground, "supply minus": elm.GroundSignal, "engine": elm.GroundChassis,
        }  # fmt: skip
        element = symbols[kind]().at(at)
        self.drawing += element.label(words, loc="bottom") if words else element
        self._named.append(Named(_GROUNDS[type(element).__name__], at))

    def text(self, words: str, at: XY, halign: Halign = "left", fontsize: float = FONT) -> None:
        """Text without electrical meaning."""
        self.drawing += elm.Label().at(at).label(words, halign=halign, fontsize=fontsize, ofst=0)

    def geometry(self) -> Geometry:
        """The drawing, with every terminal and wire where the library put it."""
        return Geometry(
            self.place,
            self._placed,
            self._named,
            [(_point(w.absanchors["start"]), _point(w.absanchors["end"])) for w in self._wires],
            [_point(dot.absanchors["center"]) for dot in self._dots],
        )

    def _note(self, element: Any, words: str, pins: Iterable[tuple[str, str]]) -> None:
        at = {terminal: _point(element.absanchors[anchor]) for anchor, terminal in pins}
        self._placed.append(Placed(" ".join(words.split()), at))


_GROUNDS = {"Ground": "ground", "GroundSignal": "supply minus", "GroundChassis": "engine"}


def _library_order(pins: list[tuple[str, str, Side]]) -> list[tuple[str, str, Side]]:
    """The library counts the pins at a side from its lower end."""
    upright = [pin for pin in pins if pin[2] in ("left", "right")]
    return [*reversed(upright), *(pin for pin in pins if pin[2] in ("top", "bottom"))]


def _point(anchor: Any) -> XY:
    return float(anchor[0]), float(anchor[1])


# -- reading the netlist back


def netlist_of(sections: Iterable[Geometry]) -> Netlist:
    """The netlist of everything drawn; nets with the same printed name are one. Raises ValueError
    for text that names no part."""
    found = Netlist()
    merged: list[tuple[set[str], set[str]]] = []
    for section in sections:
        for names, terminals in _nets(section, found.values):
            kept = []
            for other in merged:
                if other[1] & terminals:
                    raise ValueError(f"{min(other[1] & terminals)} is drawn twice")
                if other[0] & names:
                    names, terminals = names | other[0], terminals | other[1]
                else:
                    kept.append(other)
            merged = [*kept, (names, terminals)]
    found.nets = [Net(frozenset(n), frozenset(t)) for n, t in merged if n or len(t) > 1]
    return found


def _nets(section: Geometry, values: dict[str, str]) -> Iterable[tuple[set[str], set[str]]]:
    """The nets of one section; records what is printed beside each part in `values`."""
    holders: list[tuple[str, str, XY]] = []  # what, name, where
    for item in section.placed:
        part, value = _read(item.printed)
        key = placed(part, "" if part in _ALONE else section.place)
        values[key] = values.get(key) or value
        for terminal, at in item.terminals.items():
            if any(name == f"{key}.{terminal}" for _, name, _ in holders):
                raise ValueError(f"{key}.{terminal} is drawn twice")
            holders.append(("terminal", f"{key}.{terminal}", at))
    holders += [("name", _net_name(item.printed), item.at) for item in section.named]
    points = [at for _, _, at in holders] + section.dots
    points += [end for wire in section.wires for end in wire]
    nets = _Joined(len(section.wires))
    at_point: dict[int, list[int]] = {}
    for n, point in enumerate(points):
        touching = [k for k, wire in enumerate(section.wires) if _on(point, wire)]
        nets.add(touching)
        at_point[n] = touching
    groups: dict[Any, tuple[set[str], set[str]]] = {}
    for n, (what, name, at) in enumerate(holders):
        touching = at_point[n]
        group: Any = nets.root(touching[0]) if touching else (round(at[0], 3), round(at[1], 3))
        names, terminals = groups.setdefault(group, (set(), set()))
        (names if what == "name" else terminals).add(name)
    return groups.values()


_ALONE = frozenset({"solenoid", "gauge", "U21", "U22", "C24", "S0"})
"""Parts that a rig has only once, in whichever section."""


def _read(printed: str) -> tuple[str, str]:
    """Part and value, as printed beside it."""
    for words, device in DEVICE_WORDS.items():
        if printed.startswith(words):
            return device, ""
    found = _PART.match(printed)
    if found is None:
        raise ValueError(f'"{printed}" names no part')
    return found["part"], (found["value"] or "").strip()


def _net_name(printed: str) -> str:
    """The name of a net, without the pin on the header."""
    return printed.split(",")[0]


def _on(point: XY, wire: tuple[XY, XY]) -> bool:
    """Whether a point lies on a wire, ends included."""
    (x, y), ((x1, y1), (x2, y2)) = point, wire
    length = math.hypot(x2 - x1, y2 - y1)
    if length < NEAR:
        return math.hypot(x - x1, y - y1) < NEAR
    along = ((x - x1) * (x2 - x1) + (y - y1) * (y2 - y1)) / length
    off = abs((x - x1) * (y2 - y1) - (y - y1) * (x2 - x1)) / length
    return off < NEAR and -NEAR < along < length + NEAR


class _Joined:
    """Merge connected wires (union-find)."""

    def __init__(self, count: int) -> None:
        self._to = list(range(count))

    def root(self, n: int) -> int:
        while self._to[n] != n:
            n = self._to[n]
        return n

    def add(self, together: list[int]) -> None:
        for other in together[1:]:
            self._to[self.root(other)] = self.root(together[0])
