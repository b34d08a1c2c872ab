# SPDX-License-Identifier: MIT
"""`rig gauge --find PORT`: what the gauge there understands and sends, as lines for a setup."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from rig.core.errors import HardwareError, RefusedError

UNKNOWN = (
    ("measuring_range", "what it can show: from the gauge or its manual"),
    ("expected_range", "what a healthy run shows"),
)


def find(port: str, *, may_ask: bool) -> None:
    """Listen, ask if allowed, and write what was found. Raises HardwareError where nothing was."""
    from rig.core import places
    from rig.desk.gauge_source import refuse_port_in_use

    refuse_port_in_use(places.state_dir(), port)
    click.echo(f"Listening to {port} ...", err=True)
    if not (_by_listening(port) or (_allowed(port, may_ask) and _by_asking(port))):
        raise HardwareError(
            f"Nothing was understood at {port}. Is the gauge on, set to send or to answer, and "
            "plugged in the right way round? A cable that crosses the two data lines, or does not, "
            "is the usual cause. Its manual says the baud rate; `rig gauge SETUP --raw` then shows "
            "the bytes."
        )


def _say(text: str) -> None:
    click.echo(f"  {text}", err=True)


def _by_listening(port: str) -> bool:
    from rig.io.gauges.probe import listen

    heard = listen(port, _say)
    if heard is None:
        return False
    framing, found, line = heard
    for words in found.words:
        click.echo(words, err=True)
    if found.shown:
        click.echo(f"The last line read as {found.shown}: {line!r}. Is that what the gauge shows?",
                   err=True)  # fmt: skip
    keys = dict(found.keys)
    unit = [] if "{unit}" in keys.get("pattern", "{unit}") else ['unit = "kPa"']
    _write(port, framing.keys | keys, unit, shown=found.shown)
    return True


def _allowed(port: str, may_ask: bool) -> bool:
    """Whether a person lets read requests be sent to this port."""
    if may_ask:
        return True
    words = (
        f"The gauge does not speak by itself. May the rig send read requests to {port}? Only "
        "the gauge may be at this port: another device could take them for something else."
    )
    if not sys.stdin.isatty():
        raise RefusedError(f"{words}\nAdd --yes to allow it.")
    return click.confirm(words, default=False, err=True)


def _by_asking(port: str) -> bool:
    from rig.io.gauges import probe

    text = probe.ask_text(port, _say)
    if text is not None:
        framing, keys, words, shown = text
        for line in words:
            click.echo(line, err=True)
        click.echo(f"It answered {shown}. Is that what the gauge shows?", err=True)
        keys.setdefault("period", '"200 ms"')
        unit = [] if "{unit}" in keys["pattern"] else ['unit = "kPa"']
        _write(port, framing.keys | keys, unit, shown=shown)
        return True
    device = probe.ask_modbus(port, _say)
    if device is None:
        return False
    for line in probe.guesses(device):
        click.echo(line, err=True)
    click.echo("Look which of them is the pressure that the gauge shows; its manual lists them.",
               err=True)  # fmt: skip
    kind, address = next(iter(device.words), ("holding", 0))
    keys = device.framing.keys | {"form": '"modbus"', "period": '"200 ms"'}
    table = [
        "[gauge.modbus]", f"unit_address = {device.unit}", f'registers = "{kind}"',
        f"address = {address}          # the one with the pressure",
        'type = "int16"        # or float32 with word_order, from the manual',
        "scale = 1.0           # number = scale x register, in unit",
    ]  # fmt: skip
    _write(port, keys, ['unit = "kPa"'], table)
    return True


def _write(
    port: str, keys: dict[str, str], unknown: list[str], after: list[str] | None = None,
    shown: str = "",
) -> None:  # fmt: skip
    """The [gauge] table on standard output, to be copied into a setup. `shown`: a reading, with its
    unit where that is known."""
    lines = ["[gauge]", f'port = "{lasting_name(port)}"']
    lines += [f"{key} = {value}" for key, value in keys.items()]
    # left as a comment, so that no guess goes live: a setup without its unit is refused
    lines += [f"# {line}            # NOT KNOWN: the unit that the gauge shows" for line in unknown]
    _, _, unit = shown.partition(" ")
    empty = f'["??? {unit or "kPa"}", "??? {unit or "kPa"}"]'  # a plausible number would be kept
    lines += [f"# {key} = {empty}   # NOT KNOWN: {why}" for key, why in UNKNOWN]
    click.echo("\n".join([*lines, *(after or [])]))
    click.echo(
        "\nCopy this into your setup, correct the lines that say NOT KNOWN and take their first # "
        "away; then `rig check SETUP` and `rig gauge SETUP`.",
        err=True,
    )


def lasting_name(port: str) -> str:
    """The name under /dev/serial/by-id of a port, which does not change when another is plugged
    in first; the port itself where it has none."""
    real = os.path.realpath(port)
    for path in sorted(Path("/dev/serial/by-id").glob("*")):
        if os.path.realpath(path) == real:
            return str(path)
    return port
