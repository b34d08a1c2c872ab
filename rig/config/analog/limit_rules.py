# SPDX-License-Identifier: MIT
"""Cross checks of limits against their channels' range, and of the engine speed's line.

Every comparison is written so that NaN is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from rig.config.analog import signal
from rig.config.analog.model import AnalogChannel, ConverterSetup
from rig.config.files.problems import Finding
from rig.config.setup.model import Setup

Findings = Iterator[Finding]

PULSES_MOST_HZ = 5000.0
"""More pulses a second than this cannot be read continuously on a small computer (measured in the
simulated rig, no source for a board)."""


def limits_can_be_seen(setup: Setup) -> Findings:
    """A limit beyond its channel's range would never trip."""
    converter, limits = setup.converter, setup.limits
    if converter is None:
        return
    for channel, key, limit in (
        ("oil_temperature", "oil_temperature", limits.oil_temperature_degc),
        ("coil_current", "coil_current", limits.coil_current_a),
        ("cylinder_pressure", "cylinder_pressure", limits.cylinder_pressure_kpa),
    ):
        item = setup.analog_of(channel)
        if item is None or item.range is None or limit is None:
            continue
        most = _most(item, converter)
        if most is not None and not limit < most:
            yield Finding(
                ("limits", key),
                f"the channel shows at most {most:g}, so this limit would never trip",
                "set the limit below the top of the channel's range",
            )


def _most(item: AnalogChannel, converter: ConverterSetup) -> float | None:
    try:
        return signal.range_of(item, converter)[1]
    except ValueError:
        return None


def engine_speed(setup: Setup) -> Findings:
    """Pulses come no faster than they can be read, and the limits are in order."""
    speed, limits = setup.engine_speed, setup.limits
    low, high = limits.engine_speed_min_rpm, limits.engine_speed_max_rpm
    if low is not None and high is not None and not low < high:
        yield Finding(
            ("limits", "engine_speed_max"),
            f"the highest engine speed ({high:g} rpm) is not above the lowest ({low:g} rpm)",
            "correct one of the two",
        )
    if high is not None and low is None:
        yield Finding(
            ("limits", "engine_speed_max"),
            "without engine_speed_min a pulse wire that came off is not seen: it reads 0 rpm",
            'add engine_speed_min, like "400 rpm"',
        )
    if speed is None:
        return
    if not speed.slowest_rpm < speed.highest_rpm:
        yield Finding(
            ("engine_speed", "highest"), "it is not above the slowest speed", "correct one"
        )
    rate_hz = speed.pulses_per_revolution * speed.highest_rpm / 60.0
    if not rate_hz <= PULSES_MOST_HZ:
        yield Finding(
            ("engine_speed", "pulses_per_revolution"),
            f"at {speed.highest_rpm:g} rpm that is {rate_hz:.0f} pulses a second, more than the "
            f"{PULSES_MOST_HZ:.0f} that can be read for long",
            "divide the pulses outside, or lower the key highest to what the engine will turn",
        )
    if high is not None and not high < speed.highest_rpm:
        yield Finding(
            ("limits", "engine_speed_max"),
            f"pulses of more than {speed.highest_rpm:g} rpm count as noise, so this limit would "
            "never trip",
            "raise engine_speed.highest above the limit",
        )


LIMIT_RULES: tuple[Callable[[Setup], Findings], ...] = (limits_can_be_seen, engine_speed)
