# SPDX-License-Identifier: MIT
"""From the converter's code to the reading of a channel, and to its uncertainty.

Pure functions of the setup: a stored code can be read again. The signal is the voltage that the
sensor gives; the input sees `divider` of it.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from rig.config.analog import ALWAYS_DIFFERENTIAL, AnalogChannel, ConverterSetup, bits_of
from rig.core.records import GOOD
from rig.physics import sensors

FAULT_BAND = "fault band"
"""Quality of a 4-20 mA signal that tells of its transmitter's failure, or of a broken wire."""
OPEN_OR_SHORTED = "open or shorted"
"""Quality of a resistance sensor whose divider stands at an end."""
OUT_OF_RANGE = "out of range"
"""Quality of a reading beyond the sensor's range, or of a code at the converter's end: the true
signal may then be farther out still."""
NO_SUPPLY = "supply not known"
"""Quality of a ratiometric reading while the sensor's supply is not measured."""

RECTANGULAR = math.sqrt(3.0)
"""Half width of a rectangular distribution over its standard deviation (JCGM 100:2008, 4.3.7)."""
SLACK = 0.02
"""A linear sensor may read so far beyond its range, part of it, before it is not believed."""


class Line(NamedTuple):
    """reading = offset + scale * code."""

    offset: float
    scale: float


def oversampling(channel: AnalogChannel, converter: ConverterSetup) -> int:
    """Conversions that are summed to one code of this channel."""
    return channel.oversampling or converter.oversampling


def lsb_v(converter: ConverterSetup) -> float:
    """One code of a single conversion, V (data sheets: code = 2^n Vin / Vref)."""
    return converter.reference_v / float(2 ** bits_of(converter.type))


def code_limits(channel: AnalogChannel, converter: ConverterSetup) -> tuple[int, int]:
    """The lowest and highest code of a single conversion. Signed chips read pairs both ways."""
    top = 2 ** bits_of(converter.type) - 1
    pair = channel.differential or converter.type in ALWAYS_DIFFERENTIAL
    return (-top - 1 if pair and converter.type.startswith("MCP33") else 0), top


def is_linear(channel: AnalogChannel) -> bool:
    """Whether the reading is a straight line over the code."""
    return channel.kind not in ("thermistor", "platinum")


def signal_line(channel: AnalogChannel, supply_v: float | None = None) -> Line:
    """A linear channel's reading over its signal in volt. `supply_v` is the sensor's supply as
    measured, where the setup says that it is. Raises ValueError for a channel that has no line."""
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
    """A linear channel's reading over its code. Raises ValueError where signal_line does."""
    line = signal_line(channel, supply_v)
    per_code_v = lsb_v(converter) / oversampling(channel, converter) / channel.divider
    return Line(line.offset, line.scale * per_code_v)


def temperature_degc(code: float, channel: AnalogChannel, converter: ConverterSetup) -> float:
    """A thermistor's or platinum sensor's reading; NaN where the code can be none.

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
    """What a code (the sum of its conversions) reads, and its quality. `line` is code_line's;
    None for a channel that has none, or whose supply is not known."""
    times = oversampling(channel, converter)
    low, high = code_limits(channel, converter)
    if not is_linear(channel):
        value = temperature_degc(code, channel, converter)
        good = low * times < code < high * times and math.isfinite(value)
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
    """What the channel can show, in its unit: the sensor's range, cut to what the converter
    reaches. For linear channels; a ratiometric sensor's measured supply is taken as 5 V."""
    line = code_line(channel, converter, 5.0)
    times = oversampling(channel, converter)
    low, high = code_limits(channel, converter)
    ends = sorted(line.offset + line.scale * times * code for code in (low, high))
    least, most = channel.range or (ends[0], ends[1])
    return max(least, ends[0]), min(most, ends[1])


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

    Half widths are taken as rectangular (JCGM 100:2008, 4.3.7), quantisation as one code wide
    (4.3.7; q/sqrt(12)), divided by the root of the oversampling: that holds while noise of about
    half a code or more stirs the conversions, else they are all alike. `supply_measured` is the
    channel that measures a ratiometric sensor's supply: then the converter's reference cancels.
    """
    per_v = abs(_per_volt(value, channel, converter, supply_v))
    volts = abs(_input_volts(value, channel, converter, supply_v))
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
    if channel.supply_v is not None and channel.kind in ("ratiometric", "thermistor", "platinum"):
        parts.append(Share("supply", per_v * volts * channel.supply_tolerance / RECTANGULAR))
    if channel.range is not None and channel.accuracy_of_range:
        span = channel.range[1] - channel.range[0]
        parts.append(Share("sensor", span * channel.accuracy_of_range / RECTANGULAR))
    found = [share for share in [*shares, *parts] if share.standard > 0.0]
    return sorted(found, key=lambda share: -share.standard)


def combined(shares: list[Share]) -> float:
    """Standard uncertainty of all shares together, taken as independent (JCGM 100, eq. 10)."""
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


def _input_volts(
    value: float, channel: AnalogChannel, converter: ConverterSetup, supply_v: float | None
) -> float:
    """Voltage at the input when the channel reads `value`."""
    if is_linear(channel):
        line = signal_line(channel, supply_v)
        return (value - line.offset) / line.scale * channel.divider
    if channel.kind == "platinum":
        ohm = sensors.platinum_ohm(value, channel.resistance_0_ohm)
    else:
        ohm = sensors.steinhart_hart_ohm(value, coefficients(channel))
    feed_v = channel.supply_v or converter.reference_v
    return feed_v * sensors.divided(ohm, channel.series_resistor_ohm or math.nan)


def _per_volt(
    value: float, channel: AnalogChannel, converter: ConverterSetup, supply_v: float | None
) -> float:
    """Change of the reading for each volt at the input."""
    if is_linear(channel):
        return signal_line(channel, supply_v).scale / channel.divider
    small = 0.01  # degC
    step_v = _input_volts(value + small, channel, converter, supply_v) - _input_volts(
        value - small, channel, converter, supply_v
    )
    return 2.0 * small / step_v


def input_volts(
    value: float, channel: AnalogChannel, converter: ConverterSetup, supply_v: float | None = None
) -> float:
    """Voltage at the input when the channel reads `value`; `supply_v` as for signal_line."""
    return _input_volts(value, channel, converter, supply_v)


def usual(channel: AnalogChannel, supply_v: float) -> float:
    """A usual value of a channel, to state its uncertainty at: the middle of what is expected or
    of the sensor's range, 90 degC of hot oil, `supply_v` of the coil's supply, half an ampere."""
    spans = channel.expected_range_kpa or channel.range
    if spans is not None:
        return sum(spans) / 2.0
    return {
        "oil_temperature": 90.0,
        "supply_voltage": supply_v,
        "sensor_supply": 5.0,
        "coil_current": 0.5,
    }[channel.channel]
