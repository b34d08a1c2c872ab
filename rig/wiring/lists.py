# SPDX-License-Identifier: MIT
"""Connections and parts to buy: the netlist as lists."""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from typing import NamedTuple

from rig.config.analog.model import AnalogChannel
from rig.config.setup.model import Setup
from rig.wiring.circuit import netlist
from rig.wiring.names import with_pin
from rig.wiring.netlist import Netlist
from rig.wiring.parts import PARTS

SENSOR_KINDS = {
    "ratiometric": "sensor, ratiometric",
    "linear": "sensor with a voltage output",
    "current loop": "transmitter, 4 to 20 mA",
    "thermistor": "thermistor",
    "platinum": "platinum sensor",
}


class Joint(NamedTuple):
    """A net: its common name, and the terminals it joins."""

    name: str
    terminals: tuple[str, ...]


class Bought(NamedTuple):
    """A line of the parts list. `part` is empty for parts without a name in the drawing."""

    part: str
    quantity: int
    value: str
    kind: str
    where: str


HEAD = ("part", "quantity", "value", "kind and rating", "where")


def joints(setup: Setup) -> list[Joint]:
    """Every net of the rig, with the header pin of a GPIO line."""
    found = []
    for net in netlist(setup).nets:
        name = net.words
        if name.startswith("GPIO "):
            name = with_pin(int(name.removeprefix("GPIO ")))
        found.append(Joint(name, tuple(sorted(net.terminals, key=_order))))
    return found


def _order(terminal: str) -> tuple[bool, str, int, str]:
    """Parts by letter and number, then devices."""
    part = terminal.split(".")[0].split(" ")[0]
    known = part in PARTS
    return not known, part[:1], int(part[1:]) if known else 0, terminal


def bought(setup: Setup) -> list[Bought]:
    """The parts list, in the order of the table of parts; then devices."""
    found: Netlist = netlist(setup)
    places: defaultdict[tuple[str, str], list[str]] = defaultdict(list)
    for key, value in found.values.items():
        part, _, place = key.partition(" (")
        places[part, value].append(place.rstrip(")"))
    order = list(PARTS)
    table = sorted((item for item in places if item[0] in PARTS), key=lambda i: order.index(i[0]))
    rows = [
        Bought(part, len(places[part, value]), value or PARTS[part].value, PARTS[part].kind,
               ", ".join(filter(None, places[part, value])))
        for part, value in table
    ]  # fmt: skip
    return rows + _devices(setup)


def _devices(setup: Setup) -> list[Bought]:
    rows = []
    if setup.gauge is not None:
        low, high = setup.gauge.measuring_range_kpa
        rows.append(Bought("", 1, f"{low:.4g} to {high:.4g} kPa", "serial pressure gauge", ""))
    for item in setup.analog:
        kind = SENSOR_KINDS.get(item.kind)
        if kind is not None:
            rows.append(Bought("", 1, _range(item), kind, item.channel))
    if setup.engine_speed is not None:
        rows.append(Bought("", 1, "", "pick-up or shaper, 5 to 12 V", "engine_speed"))
    return rows


def _range(item: AnalogChannel) -> str:
    if item.range is None:
        return ""
    unit = {"oil_temperature": "degC", "coil_current": "A"}.get(item.channel, "kPa")
    return f"{item.range[0]:.4g} to {item.range[1]:.4g} {unit}"


def as_csv(rows: list[Bought]) -> str:
    """The parts list as CSV (RFC 4180)."""
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(HEAD)
    writer.writerows(rows)
    return text.getvalue()
