# SPDX-License-Identifier: MIT
"""Draw a rig from its setup: its sections, the whole as one SVG, and the check of both against the
netlist."""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape
from typing import NamedTuple
from xml.etree import ElementTree

from rig.config.files.loading import LoadedSetup
from rig.config.setup.model import Setup
from rig.core.errors import InternalFault
from rig.wiring import circuit_sensors, sections, sections_sensors
from rig.wiring.circuit import loop_as_drawn, loops_of, netlist, switch_as_drawn
from rig.wiring.netlist import differences
from rig.wiring.sketch import DRAWS, Sketch, netlist_of
from rig.wiring.values import channel_values, values_of


class Picture(NamedTuple):
    """One section as SVG, its size in the units of its coordinates."""

    title: str
    svg: str
    width: float
    height: float


def sketches(setup: Setup) -> list[Sketch]:
    """The sections of a rig, in building order."""
    values = values_of(setup)
    found = [
        sections.coil(setup, values, shunt=circuit_sensors.has_shunt(setup)),
        sections.relay(setup, values),
    ]
    if setup.heartbeat is not None:
        found.append(sections.heartbeat(setup.heartbeat.line, values))
    found.append(sections.switch(setup, values, drawn=switch_as_drawn(setup)))
    for place, wired in loops_of(setup).items():
        found.append(sections.loop(place, wired.line, values, drawn=loop_as_drawn(wired)))
    found.append(sections.ground(values))
    if setup.gauge is not None:
        found.append(sections.gauge(setup.gauge))
    chip = setup.converter
    if chip is not None:
        apart = chip.type not in circuit_sensors.SUPPLY_IS_REFERENCE
        minus = circuit_sensors.minus_inputs(setup, chip)
        found.append(sections_sensors.converter(setup, chip, values, minus, apart=apart))
        if apart:
            found.append(sections_sensors.reference(values))
        for item in setup.analog:
            source = circuit_sensors.source_of(setup, item)
            feed = circuit_sensors.feed_of(item)
            own = channel_values(setup, item)
            found.append(sections_sensors.channel(item, own, source, feed))
    if setup.engine_speed is not None:
        found.append(sections_sensors.engine_speed(setup.engine_speed, values))
    return found


def check(setup: Setup, drawn: list[Sketch]) -> list[str]:
    """Differences between drawing and netlist; empty if they agree."""
    try:
        return differences(netlist_of(s.geometry() for s in drawn), netlist(setup))
    except ValueError as error:
        return [str(error)]


def pictures(setup: Setup) -> list[Picture]:
    """Every section of the rig as SVG. Raises InternalFault if the drawing does not match the
    netlist: a wrong drawing is never handed out."""
    with DRAWS:
        drawn = sketches(setup)
        wrong = check(setup, drawn)
        if wrong:
            raise InternalFault(f"The drawing is not what the netlist says: {'; '.join(wrong[:5])}")
        return [_picture(s) for s in drawn]


SVG = "http://www.w3.org/2000/svg"
_SIZE = re.compile(
    r'<svg[^>]*?height="([0-9.]+)(?:pt)?" width="([0-9.]+)(?:pt)?" viewBox="([^"]*)"'
)


def _picture(s: Sketch) -> Picture:
    # one prefix table for the whole process, and the PDF printer removes this one
    ElementTree.register_namespace("", SVG)
    text = s.drawing.get_imagedata("svg").decode()
    found = _SIZE.search(text)
    if found is None:
        raise InternalFault(f"{s.title}: the drawing library wrote another kind of SVG")
    height, width = float(found[1]), float(found[2])
    svg = text[text.index("<svg") :].replace('pt" ', '" ', 2)  # one scale for all on a page
    return Picture(s.title, _STYLE.sub(_plain, svg), width, height)


_STYLE = re.compile(r'style="([^"]*)"')


def _plain(style: re.Match[str]) -> str:
    """A style as separate attributes: the page allows no style. What SVG has no attribute for, or
    no such value, is left out."""
    pairs = (item.split(":", 1) for item in style[1].split(";") if ":" in item)
    return " ".join(
        f'{name.strip()}="{value.strip()}"'
        for name, value in pairs
        if name.strip() != "background-color" and value.strip() != "-"
    )


def head_of(loaded: LoadedSetup) -> str:
    """The heading above a drawing: the setup, and which version it was."""
    title = f"{loaded.setup.title}, " if loaded.setup.title else ""
    simulated = "SIMULATED, " if loaded.setup.backend == "simulated" else ""
    return f"{simulated}{title}setup {loaded.hash}"


GAP = 26.0
TITLE = 22.0
WIDEST = 1100.0
"""Units of the coordinates: gap between sections, height of a title, width of the whole."""


def whole(setup: Setup, head: str) -> str:
    """All sections of a rig on one sheet, as an SVG document with `head` above them."""
    return sheet(pictures(setup), head)


def sheet(found: Sequence[Picture], head: str) -> str:
    """Sections on one sheet, as an SVG document with `head` above them."""
    wide = max(WIDEST, *(picture.width for picture in found))
    x, y, row, places = 0.0, 0.0, 0.0, []
    for picture in found:
        if x and x + picture.width > wide:
            x, y, row = 0.0, y + row + GAP, 0.0
        places.append((x, y, picture))
        x += picture.width + GAP
        row = max(row, picture.height + TITLE)
    width, height = wide + 2 * GAP, y + row + 3 * GAP
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.1f}pt" height="{height:.1f}pt" '
        f'viewBox="0 0 {width:.1f} {height:.1f}" font-family="sans-serif" font-size="15">',
        '<rect width="100%" height="100%" fill="white"/>',
        f'<text x="{GAP}" y="{GAP}" font-size="13">{escape(head)}</text>',
    ]
    for left, top, picture in places:
        at_x, at_y = left + GAP, top + 2 * GAP
        parts.append(f'<text x="{at_x:.1f}" y="{at_y:.1f}">{escape(picture.title)}</text>')
        parts.append(_moved(picture, at_x, at_y + TITLE - 12))
    return "\n".join([*parts, "</svg>\n"])


def _moved(picture: Picture, x: float, y: float) -> str:
    """A section's SVG at a position on the sheet."""
    size = f'x="{x:.1f}" y="{y:.1f}" width="{picture.width:.1f}" height="{picture.height:.1f}"'
    return _SIZE.sub(rf'<svg {size} overflow="visible" viewBox="\3"', picture.svg, count=1)
