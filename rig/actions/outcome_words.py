# SPDX-License-Identifier: MIT
"""The message on standard error about how a run ended: the coil first."""

from __future__ import annotations

import contextlib
import os
import shutil
import sys

import click

from rig.core.errors import STILL_LIVE, CoilLiveError
from rig.core.reader_units import units
from rig.core.records import OFF_STATES
from rig.desk.outcome import Outcome


def say(text: str) -> None:
    """Print on standard error, wrapped to a terminal's width; if it is closed, carry on."""
    with contextlib.suppress(OSError):
        text = units().words(text)
        if sys.stderr.isatty():
            from rig.text.wrapped import wrapped  # types of results: much to load

            width = shutil.get_terminal_size().columns
            lines = [line for part in text.splitlines() for line in wrapped(part, width)]
            text = "\n".join(lines)
        click.echo(text, err=True)


def one_place() -> bool:
    """Whether standard error goes where standard output goes: nothing need be said on both."""
    try:
        out, err = (os.fstat(stream.fileno()) for stream in (sys.stdout, sys.stderr))
    except (OSError, ValueError):  # closed, or no file at all
        return False
    return (out.st_dev, out.st_ino) == (err.st_dev, err.st_ino)


def tell(outcome: Outcome) -> None:
    """Say on standard error what a person must know about how the run ended, the coil first."""
    end, trip = outcome.end, outcome.trip
    if end is not None and end.off == OFF_STATES[2]:
        say(str(CoilLiveError(STILL_LIVE)))
    if trip is not None and trip.message != outcome.message:
        say(f"TRIPPED: {trip.rule}. {trip.message}")
    if outcome.message:
        say(outcome.message)
    if trip is not None:
        say("The rig stays off until `rig clear`.")
    if outcome.stopped:
        say(f"Stopped: {outcome.stopped}")
    for note in outcome.notes:
        say(note)
    if end is not None and end.reason != "finished":
        say(f"Coil: {end.off}. What was recorded is kept.")


def remind(outcome: Outcome, *, after_much: bool) -> None:
    """Repeat in one line, as the last words, that the coil is live; and a trip `after_much` else
    was printed."""
    if outcome.end is not None and outcome.end.off == OFF_STATES[2]:
        say(str(CoilLiveError(STILL_LIVE)))
    elif outcome.trip is not None and after_much:
        say(f"TRIPPED: {outcome.trip.rule}. The rig stays off until `rig clear`.")
