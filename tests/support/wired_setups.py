# SPDX-License-Identifier: MIT
"""Setups that are wired in every way a setup can say."""

from __future__ import annotations

import importlib.util
from pathlib import Path

from rig.config.files.loading import setup_from_text
from rig.config.setup.model import Setup

HARDWARE = Path(__file__).parents[2] / "hardware"
_wiring = importlib.util.spec_from_file_location("hardware_wiring", HARDWARE / "wiring.py")
assert _wiring is not None and _wiring.loader is not None
_module = importlib.util.module_from_spec(_wiring)
_wiring.loader.exec_module(_module)
OPTIONS: str = _module.OPTIONS + '[confirm_input]\nline = 16\npull = "external"\n'
"""With the button, which has the circuit of the loops and is not drawn on the pages."""


def text_of(name: str) -> str:
    return (HARDWARE / f"{name}.setup.toml").read_text()


def without(text: str, table: str) -> str:
    """The text without one table."""
    head, _, rest = text.partition(f"\n[{table}]")
    return head + "\n[" + rest.partition("\n[")[2] if "\n[" in rest else head


def variants() -> dict[str, str]:
    """Texts of setups by what is special in them."""
    bench, sensors = text_of("bench"), text_of("engine-with-sensors")
    all_of_it = sensors + OPTIONS

    def change(text: str, *pairs: tuple[str, str]) -> str:
        for old, new in pairs:
            assert old in text, old
            text = text.replace(old, new)
        return text

    ground = ('feed_side = "supply"', 'feed_side = "ground"')
    hall = ('kind = "shunt"\nshunt = "0.1 ohm"\ngain = 20', 'kind = "hall"\nsensitivity = "1 ohm"')
    platinum = (
        'kind = "thermistor"\nseries_resistor = "1 kohm"\nresistance_25 = "10 kohm"\nbeta = 3950',
        'kind = "platinum"\nseries_resistor = "2.2 kohm"\nsupply = "3.3 V"',
    )
    loop = (
        'kind = "ratiometric"\npressure_range = ["0 psi", "150 psi"]',
        'kind = "current loop"\nshunt = "120 ohm"\npressure_range = ["0 psi", "150 psi"]',
    )
    no_divider = (
        'supply_from = "sensor_supply"\ndivider_upper = "10 kohm"\ndivider_lower = "15 kohm"',
        "",
    )
    linear = (
        'kind = "ratiometric"\npressure_range = ["0 psi", "150 psi"]',
        'kind = "linear"\nvoltage_range = ["0.2 V", "2.8 V"]\n'
        'pressure_range = ["0 psi", "150 psi"]',
    )
    return {
        "bench": bench,
        "engine at idle": text_of("engine-at-idle"),
        "engine with sensors": sensors,
        "everything": all_of_it,
        "feed side ground": change(bench, ground),
        "feed side ground, hall": change(all_of_it, ground, hall),
        "feed side ground, shunt": change(sensors, ground),
        "voltage reads low": change(bench, ('voltage_reads = "high"', 'voltage_reads = "low"')),
        "low on the ground side": change(
            bench, ground, ('voltage_reads = "high"', 'voltage_reads = "low"')
        ),
        "no read-back": without(bench, "readback"),
        "own pulls": change(
            bench + OPTIONS.replace('"external"', '"up"'),
            ('pull = "external"                   # 1 k', 'pull = "up"  #'),
        ),
        "larger fuse": change(bench, ('fuse = "3 A"', 'fuse = "7.5 A"')),
        "another supply": change(bench, ('"13.0 V"', '"24.0 V"')),
        "platinum": change(sensors, platinum),
        "current loop": change(sensors, loop, no_divider),
        "no divider": change(sensors, linear, no_divider),
        "another port": change(
            sensors, ('type = "MCP3208"', 'type = "MCP3208"\nport = 1\ndevice = 0')
        ),
        "supply is the reference": change(
            sensors[: sensors.index('[[analog]]\nchannel = "coil_current"')]
            + sensors[sensors.index("[limits]") :],
            ('type = "MCP3208"', 'type = "MCP3202"'),
            ('oil_temperature = "130 degC"\nsupply_voltage_min = "11 V"\n', ""),
            ('supply_voltage_max = "15.5 V"\ncoil_current = "1.3 A"', "#"),
        ),
        "a pair": change(sensors, ("input = 4", "input = 6\ndifferential = true")),
    }


def setup_of(name: str) -> Setup:
    return setup_from_text(variants()[name], name).setup
