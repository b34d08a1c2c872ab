# SPDX-License-Identifier: MIT
"""A warm coil on the terminal: count down the time until it may be energised again."""

from __future__ import annotations

import contextlib
import select
import sys
import time

import click

from rig.core.coil_heat import duration_words
from rig.desk.signals import StopSignals

TURN_S = 1.0


def count_down(seconds: float, signals: StopSignals) -> bool:
    """Wait, counting down on a terminal; False if a signal ended it. Nothing is energised."""
    until = time.monotonic() + seconds
    terminal = sys.stderr.isatty()
    _say(f"The coil rests for {duration_words(seconds)} first. Ctrl-C leaves.\n")
    while signals.why is None and (left_s := until - time.monotonic()) > 0:
        if terminal:
            _say(f"\rCoil ready in {duration_words(left_s)}   ")
        select.select([signals.fileno()], [], [], min(left_s, TURN_S))
        signals.drain()
    if terminal:
        _say("\r" + " " * 40 + "\r")
    if signals.why is None:
        _say("The coil has rested; the rig is looked at again.\n")
    return signals.why is None


def say_rested(seconds: float) -> None:
    """Say so: in virtual time the rest took an instant."""
    _say(f"The simulated coil rested for {duration_words(seconds)} of virtual time.\n")


def _say(text: str) -> None:
    with contextlib.suppress(OSError):
        click.echo(text, nl=False, err=True)
