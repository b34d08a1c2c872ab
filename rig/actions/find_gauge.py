# SPDX-License-Identifier: MIT
"""Identify the protocol of an unknown gauge at a port: listen, poll it if a person allows that, and
write a setup's [gauge] table. For `rig gauge --find` and the page."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from rig.core import places
from rig.core.errors import HardwareError, RefusedError

UNKNOWN = (
    ("measuring_range", "what it can show: from the gauge or its manual"),
    ("expected_range", "what a healthy run shows"),
)
AFTERWARDS = (
    "Copy this into your setup, correct the lines that say NOT KNOWN and take their first # away; "
    "then `rig check SETUP` and `rig gauge SETUP`."
)


class FoundGauge(NamedTuple):
    """The `table` for a setup, and the message for a person in `words`."""

    table: str
    words: list[str]


class Port(NamedTuple):
    """A serial port of this computer: the name to open it by, a lasting one if it exists, and what
    the computer knows of it."""

    name: str
    what: str


Say = Callable[[str], None]
Hear = Callable[[bytes], None]


def ports() -> list[Port]:
    """The serial ports plugged in."""
    from serial.tools import list_ports

    return [
        Port(lasting_name(port.device), "" if port.description == "n/a" else port.description)
        for port in sorted(list_ports.comports())
    ]


def free(port: str) -> None:
    """Raises RefusedError if a running bench has this port."""
    from rig.desk.gauge_source import refuse_port_in_use

    refuse_port_in_use(places.state_dir(), port)


def find(
    port: str, say: Say, may_ask: Callable[[str], bool], hear: Hear | None = None
) -> FoundGauge:
    """Listen, and poll if `may_ask` (given the question for a person) allows it. `say` gets each
    step, `hear` each piece that arrives. Raises HardwareError if nothing was understood,
    RefusedError if a bench has the port or polling is not allowed."""
    free(port)
    found = _by_listening(port, say, hear)
    if found is None and may_ask(_may_it(port)):
        found = _by_asking(port, say)
    if found is None:
        raise HardwareError(
            f"Nothing was understood at {port}. Is the gauge on, set to send or to answer, and "
            "plugged in the right way round? A cable that crosses the two data lines, or does not, "
            "is the usual cause. Its manual says the baud rate; `rig gauge SETUP --raw` then shows "
            "the bytes."
        )
    return found


def _may_it(port: str) -> str:
    return (
        f"The gauge does not speak by itself. May the rig send read requests to {port}? Only "
        "the gauge may be at this port: another device could take them for something else."
    )


def not_allowed(question: str, how: str) -> RefusedError:
    """The error if nobody can be asked."""
    return RefusedError(f"{question}\n{how}", id_="refusal.ask-gauge")


def _by_listening(port: str, say: Say, hear: Hear | None) -> FoundGauge | None:
    from rig.io.gauges.probe import listen

    heard = listen(port, say, hear)
    if heard is None:
        return None
    framing, found, line = heard
    words = list(found.words)
    if found.shown:
        words.append(
            f"The last line read as {found.shown}: {line!r}. Is that what the gauge shows?"
        )
    keys = dict(found.keys)
    unit = [] if "{unit}" in keys.get("pattern", "{unit}") else ['unit = "kPa"']
    return FoundGauge(_table(port, framing.keys | keys, unit, shown=found.shown), words)


def _by_asking(port: str, say: Say) -> FoundGauge | None:
    from rig.io.gauges import probe

    text = probe.ask_text(port, say)
    if text is not None:
        framing, keys, words, shown = text
        words = [*words, f"It answered {shown}. Is that what the gauge shows?"]
        keys.setdefault("period", '"200 ms"')
        unit = [] if "{unit}" in keys["pattern"] else ['unit = "kPa"']
        return FoundGauge(_table(port, framing.keys | keys, unit, shown=shown), words)
    device = probe.ask_modbus(port, say)
    if device is None:
        return None
    words = [
        *probe.guesses(device),
        "Look which of them is the pressure that the gauge shows; its manual lists them.",
    ]
    kind, address = next(iter(device.words), ("holding", 0))
    keys = device.framing.keys | {"form": '"modbus"', "period": '"200 ms"'}
    table = [
        "[gauge.modbus]", f"unit_address = {device.unit}", f'registers = "{kind}"',
        f"address = {address}          # the one with the pressure",
        'type = "int16"        # or float32 with word_order, from the manual',
        "scale = 1.0           # number = scale x register, in unit",
    ]  # fmt: skip
    return FoundGauge(_table(port, keys, ['unit = "kPa"'], table), words)


def _table(
    port: str, keys: dict[str, str], unknown: list[str], after: list[str] | None = None,
    shown: str = "",
) -> str:  # fmt: skip
    """The [gauge] table, to copy into a setup. `shown`: a reading, with its unit if known."""
    lines = ["[gauge]", f'port = "{lasting_name(port)}"']
    lines += [f"{key} = {value}" for key, value in keys.items()]
    # left as a comment, so that no guess takes effect: a setup without its unit is refused
    lines += [f"# {line}            # NOT KNOWN: the unit that the gauge shows" for line in unknown]
    _, _, unit = shown.partition(" ")
    empty = f'["??? {unit or "kPa"}", "??? {unit or "kPa"}"]'  # a plausible number would be left in
    lines += [f"# {key} = {empty}   # NOT KNOWN: {why}" for key, why in UNKNOWN]
    return "\n".join([*lines, *(after or [])])


def lasting_name(port: str) -> str:
    """The name of a port under /dev/serial/by-id, which does not change when another is plugged in
    first; the port itself if it has none."""
    real = os.path.realpath(port)
    for path in sorted(Path("/dev/serial/by-id").glob("*")):
        if os.path.realpath(path) == real:
            return str(path)
    return port
