# SPDX-License-Identifier: MIT
"""`rig check`: check a setup, and a sheet, without energising anything."""

from __future__ import annotations

import datetime
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.output import units_of_setup, units_option
from rig.core.ending import judged
from rig.core.errors import EXIT_OK
from rig.core.json_values import JsonObject

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from rig.config.files.loading import LoadedSetup, LoadedSheet
    from rig.config.setup.describe import Row
    from rig.core.message_ids import Message

HOT_DEGC = 100.0
PLAIN_WIDTH = 110
"""Columns of a table that does not go to a terminal."""


@click.command("check")
@click.argument("setup", type=click.Path(path_type=Path))
@click.argument("sheet", required=False, type=click.Path(path_type=Path))
@click.option("--full", is_flag=True, help="Every key as taken, every channel and every rule too.")
@units_option
def command(setup: Path, sheet: Path | None, full: bool) -> None:
    """Look over SETUP, and SHEET with it, without energising anything.

    Says first whether anything is wrong and what holds up a run, then the coil's current against
    the fuse, what the interlock does not watch on this rig, what the sheet takes, where runs are
    kept, and what to keep in mind. Refused files end with exit code 2 and every problem named.
    """
    from rich.console import Console

    from rig.actions.storage_health import keeping
    from rig.config.files.loading import load_pair

    units_of_setup(setup)
    loaded, loaded_sheet = load_pair(setup, sheet)
    judged(EXIT_OK)
    width = None if sys.stdout.isatty() else PLAIN_WIDTH
    console = Console(markup=False, highlight=False, emoji=False, width=width)
    console.print("No problem found in the files; nothing was energised.", style="bold")
    latched = _latched(loaded)
    if latched:
        console.print(latched, style="bold")
    console.print()
    _show_setup(console, loaded, full)
    if loaded_sheet is not None:
        _show_sheet(console, loaded, loaded_sheet, full)
    console.print()
    for line in keeping():
        console.print(line)
    if not full:
        console.print("\nEvery key as it is taken, every channel and every rule: --full.")


def _latched(loaded: LoadedSetup) -> str:
    """What prevents the next run of this rig, or nothing."""
    from rig.bench.process import latched_words
    from rig.core import places, state_file
    from rig.core.errors import RefusedError

    setup = loaded.setup
    rig = state_file.rig_name(setup.backend, setup.chip, setup.relay.line)
    try:
        state = state_file.read(state_file.state_path(places.state_dir(), rig))
    except (RefusedError, OSError) as error:
        return f"STATE NOT KNOWN: {error}"
    return latched_words(state) if state is not None and state.trip is not None else ""


def _show_setup(console: Console, loaded: LoadedSetup, full: bool) -> None:
    from rig.config.setup.cautions import cautions
    from rig.config.setup.describe import describe

    setup = loaded.setup
    console.print(f"Setup {loaded.path} ({loaded.hash})", style="bold")
    if setup.backend == "simulated":
        console.print("SIMULATED: this setup drives no hardware.", style="bold")
    if full:
        _print_rows(console, describe(setup), loaded.text)
        console.print()
    _print_current(console, loaded)
    if full:
        _print_channels(console, loaded)
    _print_watched(console, loaded, full)
    _print_cautions(console, cautions(setup))


def _show_sheet(console: Console, loaded: LoadedSetup, sheet: LoadedSheet, full: bool) -> None:
    from rig.actions.effort import effort_words
    from rig.config.service.rules import service_cautions
    from rig.config.setup.cautions import sheet_cautions
    from rig.config.setup.describe import describe_sheet
    from rig.core.reader_units import units

    console.print(f"\nSheet {sheet.path} ({sheet.hash})", style="bold")
    rows = describe_sheet(sheet.sheet)
    if full:
        _print_rows(console, rows, sheet.text)
        console.print()
    else:
        limits = "; ".join(row.value for row in rows if row.where[0] == "accept")
        console.print(f"Limits: {units().words(limits) or 'none, so nothing is judged'}.")
    console.print(effort_words(loaded.setup, sheet.sheet))
    _print_cautions(console, sheet_cautions(loaded.setup, sheet.sheet))
    if sheet.service is not None:
        console.print(f"Held to service information: {units().words(sheet.service.words)}.")
        today = datetime.datetime.now(datetime.UTC).date()
        _print_cautions(console, service_cautions(loaded.setup, sheet.service, today))


def _table(*titles: str) -> Table:
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    for title in titles:
        table.add_column(title, overflow="fold")
    return table


def _print_rows(console: Console, rows: list[Row], text: str) -> None:
    """Each key as written in the file beside the value the program derived from it."""
    import tomllib

    from rich.text import Text

    from rig.config.files.problems import look_up, show
    from rig.config.files.toml_file import plain
    from rig.core.reader_units import units

    data: JsonObject = tomllib.loads(text)
    table = _table("key", "in the file", "taken as")
    for row in rows:
        written = look_up(data, row.where)
        shown = "(default)" if written is None else show(written)
        taken = units().words(f"{row.value} {row.unit}".rstrip())
        table.add_row(row.key, Text(shown), Text(plain(taken)))
    console.print(table)


def _print_current(console: Console, loaded: LoadedSetup) -> None:
    from rig.core.reader_units import units
    from rig.physics.coil import copper_resistance_ohm
    from rig.physics.fuse import CONTINUOUS_LOADING_MAX

    coil, cold_a = loaded.setup.coil, loaded.setup.coil_current_a
    hot_a = coil.supply_voltage_v / copper_resistance_ohm(coil.resistance_ohm, HOT_DEGC)
    told = (
        f"Coil current {cold_a:.2f} A cold (20 degC), {hot_a:.2f} A hot ({HOT_DEGC:.0f} degC); "
        f"the fuse of {coil.fuse_a:g} A may carry {CONTINUOUS_LOADING_MAX * coil.fuse_a:.2f} A "
        f"for long."
    )
    console.print(units().words(told))


def _print_channels(console: Console, loaded: LoadedSetup) -> None:
    """Uncertainty of the converter's readings, at a typical value of each channel."""
    from rig.config.analog.reading_uncertainty import combined, uncertainty, usual
    from rig.config.analog.signal import supply_should_v
    from rig.core.reader_units import units
    from rig.core.records import CHANNEL_UNITS

    setup = loaded.setup
    if setup.converter is None:
        return
    table = _table("channel", "at", "standard uncertainty", "made of")
    for item in setup.analog:
        value, unit = usual(item, setup.coil.supply_voltage_v), CHANNEL_UNITS[item.channel]
        measured = setup.analog_of(item.supply_from) if item.supply_from else None
        shares = uncertainty(
            value, item, setup.converter, supply_v=supply_should_v(item), supply_measured=measured
        )
        reader = units()
        made = ", ".join(
            f"{share.name} {reader.difference(share.standard, unit):.2g}" for share in shares
        )
        u = f"{reader.difference(combined(shares), unit):.2g} {reader.unit(unit)}"
        table.add_row(item.channel, reader.words(f"{value:.4g} {unit}"), u, made)
    console.print()
    console.print(table)


def _print_watched(console: Console, loaded: LoadedSetup, full: bool) -> None:
    from rich.text import Text

    from rig.bench.interlock.registry import watched

    rules = watched(loaded.setup)
    if not full:
        not_watched = [watch.rule.name for watch in rules if not watch.watched]
        console.print(f"Watched: {len(rules) - len(not_watched)} of {len(rules)} rules.")
        if not_watched:
            console.print(f"NOT WATCHED: {', '.join(not_watched)}.")
        return
    table = _table("rule", "", "slowest reaction", "by what")
    for watch in rules:
        state = Text("watched") if watch.watched else Text("NOT WATCHED", style="bold red")
        reaction = "-" if watch.reaction_ms is None else f"{watch.reaction_ms:.0f} ms"
        table.add_row(watch.rule.name, state, reaction, Text(watch.why))
    console.print()
    console.print(table)


def _print_cautions(console: Console, found: list[Message]) -> None:
    from rig.core.reader_units import units

    for one in found:
        console.print(f"Caution: {units().words(one.words)}")
