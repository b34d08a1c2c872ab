# SPDX-License-Identifier: MIT
"""The pressure channel from any source: what the interlock's pressure rules need to know of it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from rig.config.analog import reading_uncertainty, signal
from rig.config.analog.model import FAST_PERIOD_S, AnalogChannel, ConverterSetup


class PressureSource(NamedTuple):
    """The converter's pressure, with the attributes that a GaugeSetup has too; `accuracy_kpa` is
    plus and minus."""

    name: str
    period_s: float
    latency_s: float
    measuring_range_kpa: tuple[float, float]
    expected_range_kpa: tuple[float, float]
    accuracy_kpa: float | None


def converter_pressure(
    channels: Iterable[AnalogChannel], converter: ConverterSetup | None
) -> PressureSource | None:
    """The pressure channel of the converter; None if there is none, or if the setup does not say
    enough of it (rig.config.analog.rules says what is missing)."""
    channel = next((item for item in channels if item.channel == "pressure"), None)
    if channel is None or converter is None or channel.expected_range_kpa is None:
        return None
    try:
        shows = signal.range_of(channel, converter)
        middle_kpa = sum(channel.expected_range_kpa) / 2.0
        shares = reading_uncertainty.uncertainty(
            middle_kpa, channel, converter, supply_v=signal.supply_should_v(channel)
        )
    except ValueError:
        return None
    period_s = FAST_PERIOD_S if channel.fast else channel.period_s
    accuracy_kpa = reading_uncertainty.RECTANGULAR * reading_uncertainty.combined(shares)
    return PressureSource(
        "converter", period_s, 0.0, shows, channel.expected_range_kpa, accuracy_kpa
    )
