# SPDX-License-Identifier: MIT
"""The conditions of a run as typed on the command line."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rig.core.errors import UsageError
from rig.core.quantities import QuantityError, parse


def conditions(options: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """The conditions typed on the command line; raises UsageError naming the option."""
    from rig.cli.run import CONDITIONS

    found: dict[str, dict[str, Any]] = {}
    for option, (name, dimension, unit) in CONDITIONS.items():
        text = options.get(option)
        if text is None:
            continue
        try:
            value = parse(text, dimension)
        except QuantityError as error:
            raise UsageError(f"--{option.replace('_', '-')}: {error}") from error
        found[name] = {"value": value, "unit": unit, "how": "typed"}
    for option in ("oil_grade", "oil_level"):
        if options.get(option):
            found[option] = {"value": options[option], "unit": "", "how": "typed"}
    return found
