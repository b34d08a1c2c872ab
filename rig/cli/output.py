# SPDX-License-Identifier: MIT
"""Standard output and error of a command, with detection of failed writes (rig.core.ending)."""

from __future__ import annotations

import contextlib
import io
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

import click

from rig.cli.run_options import Decorator
from rig.core.ending import ENDING
from rig.core.errors import UsageError

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

tsv_option: Decorator = click.option(
    "--tsv", is_flag=True, help="Print fields separated by tabs, names first, for a program."
)
full_option: Decorator = click.option(
    "--full", is_flag=True, help="Print everything: facts, tables, plots, each stroke."
)


def _choose_units(_context: click.Context, _option: click.Parameter, text: str | None) -> None:
    from rig.core.quantities import QuantityError
    from rig.core.reader_units import read_choice, use

    if text is None:
        return
    try:
        use(read_choice(text))
    except QuantityError as error:
        raise UsageError(f"--units: {error}.") from error


units_option: Decorator = click.option(
    "--units", metavar="UNITS", expose_value=False, callback=_choose_units,
    help='Show "psi" or "bar", "degF". JSON, TSV and CSV stay kPa and degC.',
)  # fmt: skip


def tell(text: str, *, err: bool = False) -> None:
    """Print a text for a person, in the reader's units."""
    from rig.core.reader_units import units

    click.echo(units().words(text), err=err)


def units_of_setup(setup: Path) -> None:
    """Show what follows in the units of this setup, where --units names none. A file that cannot be
    read is reported by whoever loads it."""
    from rig.core.reader_units import of_setup_text, use_unless_chosen

    with contextlib.suppress(OSError, ValueError):
        use_unless_chosen(of_setup_text(setup.read_text(encoding="utf-8")))


def units_of_run(run: str) -> None:
    """The same with the setup that is stored with a run; one that is not in the log is reported by
    whoever loads it."""
    from rig.actions.analyse_run import opened_log, run_number
    from rig.core.errors import RigError
    from rig.core.reader_units import of_setup_text, use_unless_chosen

    with contextlib.suppress(RigError), opened_log() as log:
        use_unless_chosen(of_setup_text(log.load(run_number(log, run)).header.setup_text))


def one_form(*, as_json: bool, tsv: bool, full: bool = False) -> None:
    """Refuse two output formats at once."""
    asked = [name for name, on in (("--json", as_json), ("--tsv", tsv), ("--full", full)) if on]
    if len(asked) > 1:
        raise UsageError(f"{' and '.join(asked)} exclude each other: give one of them.")


def put(line: str) -> None:
    """Write a line to standard output. click.echo treats an ASCII stream as a mistake and writes
    UTF-8 past it; here characters that the encoding lacks are escaped (`open_outputs`)."""
    sys.stdout.write(line + "\n")


class _Output(io.FileIO):
    """A standard stream that records a failed write before it raises: code that catches the error
    (a terminal library ends the process with code 1, here a verdict) cannot hide it."""

    def write(self, data: ReadableBuffer, /) -> int:
        try:
            return super().write(data)
        except OSError:
            ENDING.lost = True
            raise


def open_outputs() -> None:
    """Replace standard output and error with watched streams.

    Characters that the encoding lacks are written as escapes. A closed descriptor is replaced by
    one on which every write fails, so that no file of the program is opened under its number.
    """
    for fd in (0, 1, 2):
        try:
            os.fstat(fd)
        except OSError:
            os.open("/dev/full" if fd else os.devnull, os.O_RDWR)  # takes the lowest number: fd
    sys.stdout = _watched(sys.stdout, sys.__stdout__, 1)
    sys.stderr = _watched(sys.stderr, sys.__stderr__, 2)


def _watched(stream: TextIO | None, first: TextIO | None, fd: int) -> TextIO:
    if stream is not None and stream is not first:  # a caller in this process reads it
        return stream
    raw = _Output(fd, "wb", closefd=False)
    return io.TextIOWrapper(
        io.BufferedWriter(raw),
        encoding=stream.encoding if stream is not None else "utf-8",
        errors="backslashreplace",
        line_buffering=fd == 2 or raw.isatty(),
    )


def close_outputs() -> None:
    """Flush both streams; redirect a failing one to nowhere, so that the interpreter's own flush
    does not change the exit code."""
    for stream, fd in ((sys.stdout, 1), (sys.stderr, 2)):
        try:
            stream.flush()
        except OSError:
            ENDING.lost = True
            with contextlib.suppress(OSError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), fd)
