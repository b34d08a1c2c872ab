# SPDX-License-Identifier: MIT
"""Checks of every channel except pressure, before anything is energised."""

from __future__ import annotations

from collections.abc import Mapping

from rig.bench.interlock.channel_watch import ChannelWatch
from rig.bench.interlock.sensor_rules import CHANNEL_STALE, CHECKS
from rig.config.analog.channels import sources
from rig.config.setup.model import Setup
from rig.core.message_ids import trip_id
from rig.core.preflight import DOUBTFUL, GOOD, REFUSED, Check
from rig.core.records import CHANNEL_UNITS, Sample


def channel_checks(setup: Setup, readings: Mapping[str, Sample]) -> list[Check]:
    """One check for each channel of the setup. `readings` are the latest good ones. A channel with
    a limit but no reading is refused: its limit would not be watched."""
    watch = ChannelWatch(setup)
    return [
        _check(channel, source.name, readings.get(channel), watch)
        for channel, source in sources(setup).items()
        if channel != "pressure"
    ]


def _check(channel: str, source: str, reading: Sample | None, watch: ChannelWatch) -> Check:
    name = channel.replace("_", " ").capitalize()
    if reading is None or reading.value is None:
        sensor, limited = CHECKS.get(channel, "the sensor"), watch.has_limit(channel)
        return Check(
            name, REFUSED if limited else DOUBTFUL,
            f"no good reading from the {source}",
            f"Check {sensor}, its supply, its wires and its table in the setup.",
            trip_id(CHANNEL_STALE) if limited else None,
        )  # fmt: skip
    shown = f"{reading.value:.4g} {CHANNEL_UNITS[channel]}"
    findings = watch.see(reading)
    if findings:
        found = findings[0]
        return Check(name, REFUSED, f"{shown}, beyond its limit", found.message, found.id)
    return Check(name, GOOD, f"{shown}{', watched' if watch.has_limit(channel) else ''}")
