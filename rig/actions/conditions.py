# SPDX-License-Identifier: MIT
"""The conditions of a run as typed by a person."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from rig.core.errors import UsageError
from rig.core.quantities import QuantityError, parse

if TYPE_CHECKING:
    from rig.config.setup.model import Setup
    from rig.config.sheet.model import Sheet
    from rig.core.results.run import Condition, Conditions

CONDITIONS = {
    # option -> (name in the log, dimension, unit)
    "oil_temperature": ("oil_temperature", "temperature", "degC"),
    "base_pressure": ("base_pressure", "pressure", "kPa"),
    "supply_voltage": ("supply_voltage", "voltage", "V"),
    "idle_speed": ("idle_speed", "rotation", "rpm"),
    "ambient_temperature": ("ambient_temperature", "temperature", "degC"),
}


def typed(
    options: Mapping[str, object],
) -> tuple[dict[str, Condition], dict[str, QuantityError]]:
    """The typed conditions by their names in the log, and the errors in others, by option."""
    from rig.analysis.verdict.shown_in_run import PROVABLE
    from rig.config.ranges import CONDITION_RANGES

    found: dict[str, Condition] = {}
    wrong: dict[str, QuantityError] = {}
    for option, (name, dimension, unit) in CONDITIONS.items():
        text = options.get(option)
        if not isinstance(text, str):
            continue
        try:
            value = parse(text, dimension)
        except QuantityError as error:
            wrong[option] = error
            continue
        if CONDITION_RANGES[name].holds(value):
            found[name] = {"value": value, "unit": unit, "how": "typed"}
        else:
            _, what, remedy = CONDITION_RANGES[name].finding((name,))
            wrong[option] = QuantityError(f'"{text}" is {what}', remedy)
    if options.get("proved"):
        names = [" ".join(name.split()).lower() for name in str(options["proved"]).split(",")]
        unknown = [name for name in names if name not in PROVABLE]
        if unknown:
            wrong["proved"] = QuantityError(
                f'"{unknown[0]}" is not a part of the chain that can be proved good',
                f"name some of {', '.join(PROVABLE)}, with commas between",
            )
        else:
            found["proved"] = {"value": ", ".join(names), "unit": "", "how": "typed"}
    for option in ("oil_grade", "oil_level"):
        if options.get(option):
            found[option] = {"value": str(options[option]), "unit": "", "how": "typed"}
    return found, wrong


def conditions(options: Mapping[str, object]) -> dict[str, Condition]:
    """The conditions typed on the command line; raises UsageError that names every wrong option."""
    found, wrong = typed(options)
    if wrong:
        raise UsageError(
            "\n".join(f"--{option.replace('_', '-')}: {error}" for option, error in wrong.items())
        )
    return found


def refuse_apart(setup: Setup, sheet: Sheet | None, stated: Conditions) -> None:
    """Refuse conditions that contradict setup or sheet, from terminal or page."""
    from rig.config.ranges import conditions_apart

    wrong = [
        f"--{name.replace('_', '-')}: {what}"
        for name, what in conditions_apart(setup, sheet, stated)
    ]
    if wrong:
        raise UsageError("\n".join(wrong))
