# SPDX-License-Identifier: MIT
"""Units of every channel as instruments write them, as a linear conversion to the channel's own
unit.

As with pressures (gauge_units) the bench needs them without pint. Factors: NIST Special Publication
811 (2008), B.8; degree Fahrenheit: t/degC = (t/degF - 32)/1.8, kelvin: t/degC = T/K - 273.15 (SP
811, B.8).
"""

from __future__ import annotations

import functools
from typing import NamedTuple

from rig.config.gauge.units import UnitError, factor_kpa, table_factor
from rig.core.records import CHANNEL_UNITS

PRESSURES = ("pressure", "cylinder_pressure")


class Linear(NamedTuple):
    """value = number * factor + offset."""

    factor: float
    offset: float = 0.0

    def of(self, number: float) -> float:
        return number * self.factor + self.offset


_CELSIUS, _FAHRENHEIT = Linear(1.0), Linear(1 / 1.8, -32 / 1.8)
_KELVIN, _VOLT = Linear(1.0, -273.15), Linear(1.0)
_TABLES: dict[str, dict[str, Linear]] = {
    "oil_temperature": {
        "degc": _CELSIUS, "c": _CELSIUS, "\xb0c": _CELSIUS, "\xc2\xb0c": _CELSIUS, "cel": _CELSIUS,
        "degf": _FAHRENHEIT, "f": _FAHRENHEIT, "\xb0f": _FAHRENHEIT, "\xc2\xb0f": _FAHRENHEIT,
        "k": _KELVIN,
    },
    "supply_voltage": {"v": _VOLT, "mv": Linear(1e-3), "vdc": _VOLT},
    "coil_current": {"a": Linear(1.0), "ma": Linear(1e-3), "adc": Linear(1.0)},
    "engine_speed": {
        "rpm": Linear(1.0), "1/min": Linear(1.0), "r/min": Linear(1.0), "hz": Linear(60.0),
    },
}  # fmt: skip

KNOWN = {
    "oil_temperature": "degC, degF, K",
    "supply_voltage": "V, mV",
    "coil_current": "A, mA",
    "engine_speed": "rpm, 1/min, Hz",
}


@functools.lru_cache(maxsize=256)
def table_unit(channel: str, text: str) -> Linear | None:
    """The unit from the tables alone; None if it is not in them. Never loads pint."""
    if channel in PRESSURES:
        factor = table_factor(text)
        return None if factor is None else Linear(factor)
    return _TABLES[channel].get(text.strip().casefold())


def unit_of(channel: str, text: str) -> Linear:
    """The unit of a channel as a person writes it. Raises UnitError."""
    found = table_unit(channel, text)
    if found is not None:
        return found
    if channel in PRESSURES:
        return Linear(factor_kpa(text))
    known = KNOWN[channel]
    raise UnitError(
        f'"{text}" is not a unit of the channel {channel} ({CHANNEL_UNITS[channel]})',
        f"write one of {known}",
    )
