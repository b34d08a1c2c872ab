# SPDX-License-Identifier: MIT
"""Do what the steps ask: a person at a terminal, or the simulated rig's own hands."""

from __future__ import annotations

import datetime
import sys
from collections.abc import Mapping
from typing import Protocol

import click

from rig.config.plant.model import SimulatedRig
from rig.config.setup.model import Setup
from rig.core.errors import RefusedError

AS_WIRED = "as wired"
FUSE_OUT = "fuse out"
CONTACT_BRIDGED = "contact bridged"
PLUG_OFF = "switch unplugged"
PLUG_BRIDGED = "switch plug bridged"
STOP_PRESSED = "stop pressed"
COVER_OPEN = "cover open"
TIMING_LOOP = "load side led into the switch input"
PRESSURE = "pressure on"

_NO_PRESSURE: dict[str, object] = {"pressure_kpa": 0.0, "ripple_kpa": 0.0, "gulp_rate_hz": 0.0}
_DONE: Mapping[str, Mapping[str, Mapping[str, object]]] = {
    AS_WIRED: {},
    FUSE_OUT: {"electric": {"fuse_open": True}},
    # the load side fed past the contact: electrically the same as a jumper across it
    CONTACT_BRIDGED: {"electric": {"driven_by_vehicle": True}},
    PLUG_OFF: {"switch": {"stuck": "open"}},
    PLUG_BRIDGED: {"switch": {"stuck": "closed"}},
    STOP_PRESSED: {"wiring": {"opened": ("stop_input",)}},
    COVER_OPEN: {"wiring": {"opened": ("cover_input",)}},
    TIMING_LOOP: {"wiring": {"timing_loop": True}},
    PRESSURE: {},
}
"""The effect of each on the simulated rig: part, attribute, value."""


class Hands(Protocol):
    """Works on the rig."""

    def ready(self, title: str, ask: str) -> bool:
        """Have `ask` done; False if it is left out."""
        ...

    def saw(self, question: str) -> bool | None:
        """What somebody saw; None if nobody can."""
        ...

    def day(self, question: str) -> datetime.date | None:
        """The day on which somebody saw it, not after today; None if nobody can."""
        ...

    def reference_kpa(self, setup: Setup) -> float | None:
        """The reading of a second gauge."""
        ...

    def rig(self, setup: Setup, state: str) -> Setup:
        """The setup with the rig in this state; unchanged if the rig is real."""
        ...


class Person:
    """A person at a terminal. All questions go to standard error: the record may be JSON."""

    def __init__(self) -> None:
        if not sys.stdin.isatty():
            raise RefusedError(
                "Commissioning a rig needs a person at a terminal who works on its wires. Start it "
                "in a terminal. Nothing was energised.",
                id_="refusal.no-terminal",
            )

    def ready(self, title: str, ask: str) -> bool:
        click.echo(f"\n{title}\n  {ask}", err=True)
        return click.confirm("  Done? (n leaves this step out)", default=False, err=True)

    def saw(self, question: str) -> bool | None:
        return click.confirm(f"  {question}", default=False, err=True)

    def day(self, question: str) -> datetime.date | None:
        while True:
            kind = click.DateTime(["%Y-%m-%d"])
            day: datetime.date = click.prompt(f"  {question}", type=kind, err=True).date()
            if day <= datetime.datetime.now(datetime.UTC).date():
                return day
            click.echo("  That day is still to come.", err=True)

    def reference_kpa(self, _setup: Setup) -> float | None:
        from rig.core.quantities import QuantityError, parse

        while True:
            text = click.prompt("  The reference gauge shows, with its unit (empty: none there)",
                                default="", show_default=False, err=True)  # fmt: skip
            if not text.strip():
                return None
            try:
                return parse(text, "pressure")
            except QuantityError as error:
                click.echo(f"  {error}", err=True)

    def rig(self, setup: Setup, _state: str) -> Setup:
        return setup


class SimulatedHands:
    """Does to the simulated rig what a person is asked to do to a real one. It knows of the rig
    only what a second gauge would show; steps never see it."""

    def ready(self, _title: str, _ask: str) -> bool:
        return True

    def saw(self, _question: str) -> bool | None:
        return None

    def day(self, _question: str) -> datetime.date | None:
        return None

    def reference_kpa(self, setup: Setup) -> float | None:
        from rig.simulated.by_hand import checks

        return checks(setup).base_pressure_kpa

    def rig(self, setup: Setup, state: str) -> Setup:
        simulated = setup.simulated
        if simulated is None:
            return setup
        if state != PRESSURE:
            simulated = _with(simulated, "supply", _NO_PRESSURE)
        for part, values in _DONE[state].items():
            simulated = _with(simulated, part, values)
        return setup.model_copy(update={"simulated": simulated})


def _with(rig: SimulatedRig, part: str, values: Mapping[str, object]) -> SimulatedRig:
    changed = getattr(rig, part).model_copy(update=dict(values))
    return rig.model_copy(update={part: changed})


def hands_for(setup: Setup) -> Hands:
    """A person for a board, simulated hands for a simulated rig. Raises RefusedError if no person
    is there."""
    return SimulatedHands() if setup.backend == "simulated" else Person()
