# SPDX-License-Identifier: MIT
"""Which conditions of a run a rig measures itself, so that nobody is asked for them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rig.config.setup.model import Setup
from webui.api.models_live import Input

CHANNELS = ("oil_temperature", "supply_voltage")
"""Conditions that have a channel of their own name."""
INPUT_NAMES = {"oil_temperature": "Oil temperature", "supply_voltage": "Supply voltage"}
"""As the live view names their inputs."""


def measured(setup: Setup) -> dict[str, str]:
    """The conditions this setup measures in each run, and with what. The base pressure is not one
    of them: what a gauge shows of it depends on where the gauge sits."""
    found = {}
    for name in CHANNELS:
        channel = setup.analog_of(name)
        if channel is not None:
            found[name] = f"converter, input {channel.input}"
    if setup.engine_speed is not None:
        found["idle_speed"] = "engine pulses"
    return found


def by_sensor(of_setups: Mapping[str, Mapping[str, str]], condition: str) -> dict[str, list[str]]:
    """What measures `condition`, and the names of the setups that measure it."""
    found: dict[str, list[str]] = {}
    for name, conditions in of_setups.items():
        if condition in conditions:
            found.setdefault(conditions[condition], []).append(name)
    return found


def read_before(inputs: Sequence[Input]) -> dict[str, str]:
    """By condition, the last reading of the previous run, in words."""
    shown = {row["name"]: row["shown"] for row in inputs if row.get("shown")}
    return {
        condition: f"({shown[name]} at the end of the run before)"
        for condition, name in INPUT_NAMES.items()
        if name in shown
    }
