# SPDX-License-Identifier: MIT
"""The message on standard error about how a run ended: the coil first."""

from __future__ import annotations

import contextlib

import click

from rig.core.errors import STILL_LIVE, CoilLiveError
from rig.core.reader_units import units
from rig.core.records import OFF_STATES
from rig.desk.outcome import Outcome


def say(text: str) -> None:
    """Print on standard error; if it is closed, carry on."""
    with contextlib.suppress(OSError):
        click.echo(units().words(text), err=True)


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


def remind(outcome: Outcome) -> None:
    """Repeat the alarm in one line, as the last words."""
    if outcome.end is not None and outcome.end.off == OFF_STATES[2]:
        say(str(CoilLiveError(STILL_LIVE)))
    elif outcome.trip is not None:
        say(f"TRIPPED: {outcome.trip.rule}. The rig stays off until `rig clear`.")
