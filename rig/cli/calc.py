# SPDX-License-Identifier: MIT
"""`rig calc`: the formulas used by the checks, for a person with a meter and a data sheet."""

from __future__ import annotations

import importlib

import click

# name -> (module in rig.cli, one line of help)
CALCULATORS = {
    "coil": ("coil", "Current and heat of a coil, cold and hot."),
    "pull-in": ("coil", "Time until a coil pulls in."),
    "release": ("coil", "Time until a coil lets go, with diode or diode and zener."),
    "winding": ("coil", "Temperature of a winding from its resistance."),
    "wire": ("supply", "Voltage lost in a wire."),
    "fuse": ("supply", "What a blade fuse may carry, and when it opens."),
    "protect": ("sizing", "Whether a fuse protects a wire, and both carry the load."),
    "contact": ("sizing", "Whether a relay's contact bears supply and clamp."),
    "clamp": ("sizing", "What a clamp gives off at a rate of strokes."),
    "viscosity": ("oil", "Viscosity of an oil at a temperature."),
    "grade": ("oil", "SAE grades of an engine oil from its viscosity."),
    "index": ("oil", "Viscosity index of an oil."),
    "orifice": ("flow", "Flow of oil through a hole."),
    "land": ("flow", "Leakage of oil along a worn land."),
    "air": ("air", "Flow of air through a hole."),
    "leak": ("air", "Leak rate from a falling pressure of air."),
}


class Calculators(click.Group):
    """Calculators by name; a calculator's module is imported only when it is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """All names."""
        return list(CALCULATORS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """The command with this name; None if there is none."""
        if cmd_name not in CALCULATORS:
            return None
        module = importlib.import_module(f"rig.calculators.{CALCULATORS[cmd_name][0]}")
        found: click.Command = module.COMMANDS[cmd_name]
        return found

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """The names with their lines of help, without importing them."""
        with formatter.section("Calculators"):
            formatter.write_dl([(name, text) for name, (_, text) in CALCULATORS.items()])


@click.command("calc", cls=Calculators)
def command() -> None:
    """Electrical and fluid calculators.

    Quantities are written as people write them, in quotes: "12.6 V", "14 ohm", "90 degC". The
    answer comes first, then the formula, where it is from, and what it takes for granted.

    Exit codes: 0 calculated, 2 an input is missing or makes no sense.
    """
