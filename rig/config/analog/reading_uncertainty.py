# SPDX-License-Identifier: MIT
"""Uncertainty of a converter reading: its standard uncertainty contributions."""

from __future__ import annotations

import math
from typing import NamedTuple

from rig.config.analog.model import AnalogChannel, ConverterSetup
from rig.config.analog.signal import input_volts, is_linear, lsb_v, oversampling, signal_line

RECTANGULAR = math.sqrt(3.0)
"""Half width of a rectangular distribution over its standard deviation (JCGM 100:2008, 4.3.7)."""


class Share(NamedTuple):
    """One contribution to a reading's standard uncertainty, in the channel's unit."""

    name: str
    standard: float


def uncertainty(
    value: float,
    channel: AnalogChannel,
    converter: ConverterSetup,
    *,
    supply_v: float | None = None,
    supply_measured: AnalogChannel | None = None,
) -> list[Share]:
    """Contributions to the standard uncertainty of one reading of `value`, largest first.

    Half widths are treated as rectangular (JCGM 100:2008, 4.3.7), quantisation as one code wide
    (4.3.7; q/sqrt(12)), divided by the root of the oversampling: this holds while noise of about
    half a code or more varies the conversions, else they are all alike. `supply_measured` is the
    channel that measures a ratiometric sensor's supply: then the converter's reference cancels.
    """
    per_v = abs(_per_volt(value, channel, converter, supply_v))
    volts = abs(input_volts(value, channel, converter, supply_v))
    step_v = lsb_v(converter)
    many = math.sqrt(oversampling(channel, converter))
    shares = [
        Share("quantisation", per_v * step_v / math.sqrt(12.0) / many),
        Share("nonlinearity", per_v * step_v * converter.nonlinearity_lsb / RECTANGULAR),
    ]
    fed_from_reference = not is_linear(channel) and channel.supply_v is None
    if not fed_from_reference and supply_measured is None:
        shares.append(
            Share("reference", per_v * volts * converter.reference_tolerance / RECTANGULAR)
        )
    parts = _resistor_shares(volts, per_v, channel, converter)
    if supply_measured is not None and supply_measured.divider < 1.0:
        parts.append(_divider_share(volts, per_v, supply_measured)._replace(name="supply divider"))
    stated = channel.supply_v is not None and channel.supply_from is None
    if stated and channel.kind in ("ratiometric", "thermistor", "platinum"):
        parts.append(Share("supply", per_v * volts * channel.supply_tolerance / RECTANGULAR))
    if channel.range is not None and channel.accuracy_of_range:
        span = channel.range[1] - channel.range[0]
        parts.append(Share("sensor", span * channel.accuracy_of_range / RECTANGULAR))
    found = [share for share in [*shares, *parts] if share.standard > 0.0]
    return sorted(found, key=lambda share: -share.standard)


def combined(shares: list[Share]) -> float:
    """Standard uncertainty of all contributions together, treated as independent (JCGM 100, eq.
    10)."""
    return math.sqrt(sum(share.standard**2 for share in shares))


def _divider_share(volts: float, per_v: float, channel: AnalogChannel) -> Share:
    """Two resistors of the same tolerance: the ratio is off by (1 - ratio) times each."""
    part = (1.0 - channel.divider) * channel.resistor_tolerance * math.sqrt(2.0) / RECTANGULAR
    return Share("divider", per_v * volts * part)


def _resistor_shares(
    volts: float, per_v: float, channel: AnalogChannel, converter: ConverterSetup
) -> list[Share]:
    found = []
    if channel.divider < 1.0:
        found.append(_divider_share(volts, per_v, channel))
    part = channel.resistor_tolerance / RECTANGULAR
    if channel.kind in ("current loop", "shunt"):
        found.append(Share("shunt", per_v * abs(volts - channel.zero_v * channel.divider) * part))
    if not is_linear(channel):
        feed_v = channel.supply_v or converter.reference_v
        found.append(Share("series resistor", per_v * volts * (1.0 - volts / feed_v) * part))
    return found


def _per_volt(
    value: float, channel: AnalogChannel, converter: ConverterSetup, supply_v: float | None
) -> float:
    """Change of the reading for each volt at the input."""
    if is_linear(channel):
        return signal_line(channel, supply_v).scale / channel.divider
    small = 0.01  # degC
    step_v = input_volts(value + small, channel, converter, supply_v) - input_volts(
        value - small, channel, converter, supply_v
    )
    return 2.0 * small / step_v


def usual(channel: AnalogChannel, supply_v: float) -> float:
    """A typical value of a channel at which to state its uncertainty: the middle of the expected
    range or of the sensor's range, 90 degC for hot oil, `supply_v` of the coil's supply, half an
    ampere."""
    spans = channel.expected_range_kpa or channel.range
    if spans is not None:
        return sum(spans) / 2.0
    return {
        "oil_temperature": 90.0,
        "supply_voltage": supply_v,
        "sensor_supply": 5.0,
        "coil_current": 0.5,
    }[channel.channel]
