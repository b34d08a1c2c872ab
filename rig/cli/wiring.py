# SPDX-License-Identifier: MIT
"""`rig wiring`: a setup's wiring, as a drawing and as lists."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.output import units_of_setup
from rig.core.ending import judged
from rig.core.errors import EXIT_OK, UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from rig.config.files.loading import LoadedSetup

PLAIN_WIDTH = 110
"""Columns of a table that does not go to a terminal."""


@click.command("wiring")
@click.argument("setup", type=click.Path(path_type=Path))
@click.option(
    "--svg", metavar="FILE", type=click.Path(path_type=Path, dir_okay=False),
    help="Write the drawing, a sheet of all sections.",
)  # fmt: skip
@click.option(
    "--parts", metavar="FILE", type=click.Path(path_type=Path, dir_okay=False),
    help="Write the parts list as CSV.",
)  # fmt: skip
@click.option(
    "--strip", metavar="FILE", type=click.Path(path_type=Path, dir_okay=False),
    help="Write a hole-by-hole build on strip board as CSV.",
)  # fmt: skip
@click.option("--force", is_flag=True, help="Replace a FILE where it exists.")
def command(
    setup: Path, svg: Path | None, parts: Path | None, strip: Path | None, force: bool
) -> None:
    """Show how the rig of SETUP is wired: what is joined to what, and the parts.

    The drawing has exactly what the setup names, and is checked against the list of joints before
    it is written. Nothing is energised.

    Exit codes: 0 shown or written, 2 the setup was refused or a file cannot be written.
    """
    from rig.config.files.loading import load_setup
    from rig.wiring import draw, lists, strip_board

    units_of_setup(setup)
    loaded = load_setup(setup)
    files = [file for file in (svg, parts, strip) if file is not None]
    for file in files:
        if file.exists() and not force:
            raise UsageError(f"{file} exists; give another name, or --force to replace it.")
    if len({file.resolve() for file in files}) < len(files):
        raise UsageError("Drawing, parts list and strip board need a file each.")
    if svg is not None:
        _write(svg, draw.whole(loaded.setup, draw.head_of(loaded)))
    if parts is not None:
        _write(parts, lists.as_csv(lists.bought(loaded.setup)))
    if strip is not None:
        _write(strip, strip_board.as_csv(strip_board.build(loaded.setup)))
    if not files:
        _show(loaded)
    judged(EXIT_OK)
    for file in files:
        click.echo(f"{file} written.", err=True)


def _write(file: Path, text: str) -> None:
    from rig.core.atomic_file import whole_file

    try:
        with whole_file(file) as out:
            out.write(text)
    except OSError as error:
        raise UsageError(f"{file} cannot be written: {error.strerror or error}.") from error


def _show(loaded: LoadedSetup) -> None:
    from rich.console import Console
    from rich.table import Table

    from rig.core.reader_units import units
    from rig.wiring import lists
    from rig.wiring.remarks import cautions, remarks

    width = None if sys.stdout.isatty() else PLAIN_WIDTH
    console = Console(markup=False, highlight=False, emoji=False, width=width)
    console.print(f"Setup {loaded.path} ({loaded.hash})", style="bold")
    _lines(console, "Caution", cautions())
    _lines(console, "Note", remarks(loaded.setup))
    joints = Table("net", "joins", box=None, pad_edge=False, title="Joints", title_justify="left")
    for joint in lists.joints(loaded.setup):
        joints.add_row(joint.name, ", ".join(joint.terminals))
    bought = Table(*lists.HEAD, box=None, pad_edge=False, title="Parts", title_justify="left")
    for row in lists.bought(loaded.setup):
        bought.add_row(*(units().words(str(cell)) for cell in row))
    for table in (joints, bought):
        console.print()
        console.print(table)


def _lines(console: Console, word: str, texts: list[str]) -> None:
    for text in texts:
        console.print(f"{word}: {text}")
