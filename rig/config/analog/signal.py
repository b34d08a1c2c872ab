# SPDX-License-Identifier: MIT
"""Convert the converter's code to a channel's reading, and to its uncertainty.

Pure functions of the setup: a stored code can be converted again. The signal is the voltage the
sensor gives; the input sees `divider` of it.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from rig.config.analog.model import ALWAYS_DIFFERENTIAL, AnalogChannel, ConverterSetup, bits_of
from rig.core.records import GOOD
from rig.physics import sensors

FAULT_BAND = "fault band"
"""Quality of a 4-20 mA signal that indicates a failed transmitter, or a broken wire."""
OPEN_OR_SHORTED = "open or shorted"
"""Quality of a resistance sensor whose divider is at an end of its range."""
OUT_OF_RANGE = "out of range"
"""Quality of a reading beyond the sensor's range, or of a code at the converter's end: the true
signal may be even farther out."""
NO_SUPPLY = "supply not known"
"""Quality of a ratiometric reading while the sensor's supply is not measured."""

END_CODES = 4
"""A resistance sensor this close to an end of the converter is open or shorted: noise must not be
converted to a temperature."""
USUAL_SUPPLY_V = 5.0
SUPPLY_SHARE = 0.2
"""Allowed error of a ratiometric sensor's measured supply, as a fraction; beyond it the sensor does
not work and its signal means nothing."""

SLACK = 0.02
"""How far beyond its range, as a fraction of it, a linear sensor may read before the reading is
rejected."""


class Line(NamedTuple):
    """reading = offset + scale * code."""

    offset: float
    scale: float


def oversampling(channel: AnalogChannel, converter: ConverterSetup) -> int:
    """Conversions summed into one code of this channel."""
    return channel.oversampling or converter.oversampling


def lsb_v(converter: ConverterSetup) -> float:
    """One code of a single conversion, V (data sheets: code = 2^n Vin / Vref)."""
    return converter.reference_v / float(2 ** bits_of(converter.type))


def code_limits(channel: AnalogChannel, converter: ConverterSetup) -> tuple[int, int]:
    """The lowest and highest code of a single conversion. Signed chips read pairs both ways."""
    top = 2 ** bits_of(converter.type) - 1
    pair = channel.differential or converter.type in ALWAYS_DIFFERENTIAL
    return (-top - 1 if pair and converter.type.startswith("MCP33") else 0), top


def supply_should_v(channel: AnalogChannel) -> float:
    """Nominal value of a ratiometric sensor's measured supply."""
    return channel.supply_v or USUAL_SUPPLY_V


def supply_works(channel: AnalogChannel, measured_v: float) -> bool:
    """Whether the measured supply is plausible."""
    should_v = supply_should_v(channel)
    return abs(measured_v - should_v) <= SUPPLY_SHARE * should_v


def is_linear(channel: AnalogChannel) -> bool:
    """Whether the reading is linear in the code."""
    return channel.kind not in ("thermistor", "platinum")


def signal_line(channel: AnalogChannel, supply_v: float | None = None) -> Line:
    """A linear channel's reading as a line over its signal in volt. `supply_v` is the sensor's
    supply as measured, if the setup says that it is. Raises ValueError for a channel that has no
    line."""
    match channel.kind:
        case "ratiometric":
            volts = supply_v if channel.supply_from else channel.supply_v
            if volts is None or channel.range is None:
                raise ValueError("a ratiometric channel needs its range and its supply")
            ends = (channel.signal_low * volts, channel.signal_high * volts)
            return _through(ends, channel.range)
        case "linear":
            if channel.voltage_range_v is None or channel.range is None:
                raise ValueError("a linear channel needs both its ranges")
            return _through(channel.voltage_range_v, channel.range)
        case "current loop":
            if channel.shunt_ohm is None or channel.range is None:
                raise ValueError("a current loop needs its shunt and its range")
            ends = (4e-3 * channel.shunt_ohm, 20e-3 * channel.shunt_ohm)
            return _through(ends, channel.range)
        case "shunt" | "hall":
            per_a = channel.sensitivity_ohm if channel.kind == "hall" else channel.shunt_ohm
            if per_a is None:
                raise ValueError("a current channel needs its shunt or sensitivity")
            per_a *= channel.gain
            return Line(-channel.zero_v / per_a, 1.0 / per_a)
        case "voltage":
            return Line(0.0, 1.0)
        case _:
            raise ValueError(f"a {channel.kind} has no straight line")


def _through(ends: tuple[float, float], to: tuple[float, float]) -> Line:
    scale = (to[1] - to[0]) / (ends[1] - ends[0])
    return Line(to[0] - scale * ends[0], scale)


def code_line(
    channel: AnalogChannel, converter: ConverterSetup, supply_v: float | None = None
) -> Line:
    """A linear channel's reading as a line over its code. Raises ValueError where signal_line
    does."""
    line = signal_line(channel, supply_v)
    per_code_v = lsb_v(converter) / oversampling(channel, converter) / channel.divider
    return Line(line.offset, line.scale * per_code_v)


def temperature_degc(code: float, channel: AnalogChannel, converter: ConverterSetup) -> float:
    """A thermistor's or platinum sensor's reading; NaN if the code cannot be one.

    The divider is fed from the converter's reference, whose own error then cancels, unless the
    channel states another supply.
    """
    volts = code * lsb_v(converter) / oversampling(channel, converter)
    feed_v = channel.supply_v or converter.reference_v
    ohm = sensors.lower_resistor_ohm(volts / feed_v, channel.series_resistor_ohm or math.nan)
    if channel.kind == "platinum":
        return sensors.platinum_degc(ohm, channel.resistance_0_ohm)
    return sensors.steinhart_hart_degc(ohm, coefficients(channel))


def coefficients(channel: AnalogChannel) -> tuple[float, float, float]:
    """A thermistor's A, B, C: as stated, or from its beta. Raises ValueError without either."""
    if channel.steinhart_hart is not None:
        return channel.steinhart_hart
    if channel.resistance_25_ohm is None or channel.beta_k is None:
        raise ValueError("a thermistor needs steinhart_hart, or resistance_25 and beta")
    return sensors.beta_as_steinhart_hart(channel.resistance_25_ohm, channel.beta_k)


def reading(
    code: int, channel: AnalogChannel, converter: ConverterSetup, line: Line | None
) -> tuple[float | None, str]:
    """The reading for a code (the sum of its conversions), and its quality. `line` is code_line's;
    None for a channel that has none, or whose supply is not known."""
    times = oversampling(channel, converter)
    low, high = code_limits(channel, converter)
    if not is_linear(channel):
        value = temperature_degc(code, channel, converter)
        inside = (low + END_CODES) * times < code < (high - END_CODES) * times
        good = inside and math.isfinite(value)
        return (value, GOOD) if good else (None, OPEN_OR_SHORTED)
    if line is None:
        return None, NO_SUPPLY
    value = line.offset + line.scale * code
    return value, quality(code, value, channel, converter)


def quality(code: int, value: float, channel: AnalogChannel, converter: ConverterSetup) -> str:
    """The quality of a linear channel's reading."""
    times = oversampling(channel, converter)
    low, high = code_limits(channel, converter)
    if channel.kind == "current loop" and channel.shunt_ohm is not None:
        loop_a = code * lsb_v(converter) / times / channel.divider / channel.shunt_ohm
        if not sensors.NE43_FAULT_LOW_A < loop_a < sensors.NE43_FAULT_HIGH_A:
            return FAULT_BAND
        if not sensors.NE43_LOW_A <= loop_a <= sensors.NE43_HIGH_A:
            return OUT_OF_RANGE
    if not code < high * times or (low < 0 and not code > low * times):
        return OUT_OF_RANGE
    if channel.range is not None and channel.kind != "current loop":  # NE 43 says it there
        least, most = channel.range
        slack = SLACK * (most - least)
        if not least - slack <= value <= most + slack:
            return OUT_OF_RANGE
    return GOOD


def range_of(channel: AnalogChannel, converter: ConverterSetup) -> tuple[float, float]:
    """The channel's range, in its unit: the sensor's range, limited to what the converter reaches.
    For linear channels; a ratiometric sensor's measured supply is assumed nominal."""
    line = code_line(channel, converter, supply_should_v(channel))
    times = oversampling(channel, converter)
    low, high = code_limits(channel, converter)
    ends = sorted(line.offset + line.scale * times * code for code in (low, high))
    least, most = channel.range or (ends[0], ends[1])
    return max(least, ends[0]), min(most, ends[1])


def input_volts(
    value: float, channel: AnalogChannel, converter: ConverterSetup, supply_v: float | None = None
) -> float:
    """Voltage at the input when the channel reads `value`; `supply_v` as for signal_line."""
    if is_linear(channel):
        line = signal_line(channel, supply_v)
        return (value - line.offset) / line.scale * channel.divider
    if channel.kind == "platinum":
        ohm = sensors.platinum_ohm(value, channel.resistance_0_ohm)
    else:
        ohm = sensors.steinhart_hart_ohm(value, coefficients(channel))
    feed_v = channel.supply_v or converter.reference_v
    return feed_v * sensors.divided(ohm, channel.series_resistor_ohm or math.nan)
