# SPDX-License-Identifier: MIT
"""Options shared by every command that runs a rig."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, TypeVar

import click

Command = TypeVar("Command", bound=Callable[..., object])


class Decorator(Protocol):
    """What click.option returns."""

    def __call__(self, command: Command, /) -> Command: ...


def _all(*options: Decorator) -> Decorator:
    """Combine decorators into one, listed in this order in a help text."""

    def decorate(command: Command) -> Command:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


def simulated_options(option: str = "") -> Decorator:
    """--fast and --seed. `option`: the one they require."""
    only = f"With {option}, simulated rig only" if option else "Simulated rig only"
    return _all(
        click.option("--fast", is_flag=True, help=f"{only}: virtual time."),
        click.option(
            "--seed",
            type=click.IntRange(0, 2**63 - 1),
            metavar="N",
            help=f"{only}: seed of its chance.",
        ),
    )


def run_options(option: str = "") -> Decorator:
    """The above and --confirmed-by, --accept-not-watched, --wait."""

    def told(of_run: str, beside: str = "") -> str:
        return f"With {option}{beside}: as in `rig run`." if option else of_run

    confirmed = told("On a board: who confirmed (for scripts).", ", on a board")
    not_watched = told("On a board: run with rules not watched.")
    wait = told("Let a warm coil rest first; a terminal waits without this.")
    return _all(
        click.option("--confirmed-by", metavar="NAME", help=confirmed),
        click.option("--accept-not-watched", is_flag=True, help=not_watched),
        click.option("--wait", is_flag=True, help=wait),
        simulated_options(option),
    )
