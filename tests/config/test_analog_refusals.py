# SPDX-License-Identifier: MIT
"""What a setup may not say of converter, channels and pulse line: each rule refuses its own case,
at the key that is wrong, and the demo's setup passes them all."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.config.analog import rules
from rig.config.files.loading import setup_from_text
from rig.core.errors import FileProblems

DEMO = (Path(__file__).parents[2] / "demo/engine.setup.toml").read_text()
WHOLE = len(rules.ANALOG_RULES)


def refused(*changes: tuple[str, str]) -> list[tuple[str, str]]:
    text = DEMO
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    try:
        setup_from_text(text, "engine")
    except FileProblems as error:
        return [(problem.key, problem.what) for problem in error.problems]
    return []


CONVERTER = '[converter]\ntype = "MCP3208"\nreference = "3 V"\nreference_tolerance = "0.2 %"\n'
LOOP = 'kind = "current loop"'
CASES: list[tuple[str, list[tuple[str, str]], str, str]] = [
    ("no converter", [(CONVERTER, "")], "analog", "no converter"),
    ("an input twice", [("input = 5", "input = 4")], "input", "already that of"),
    ("a pair over another", [("input = 2\n", "input = 2\ndifferential = true\n")],
     "input", "already that of coil_current"),
    ("a channel twice", [('"cylinder_pressure"\n', '"coil_current"\n'), (LOOP, 'kind = "shunt"'),
     ("pressure_range = [\"-15", "# ")], "channel", "twice"),
    ("an input too many", [('"MCP3208"', '"MCP3204"')], "input", "inputs 0 to 3"),
    ("a kind that cannot", [('kind = "shunt"', 'kind = "voltage"')], "kind", "cannot give"),
    ("a key too many", [("gain = 20", 'gain = 20\nbeta = 3950')], "beta", "has no say"),
    ("a key too few", [('shunt = "0.1 ohm"\n', "")], "shunt", "needs shunt"),
    ("no range", [('pressure_range = ["0 psi", "100 psi"]\n', "")], "pressure_range", "needs"),
    ("the wrong range", [("gain = 20", 'gain = 20\ntemperature_range = ["0 degC", "9 degC"]')],
     "temperature_range", "no say"),
    ("nothing expected", [('expected_range = ["0 psi", "60 psi"]\n', "")],
     "expected_range", "should"),
    ("half a divider", [('divider_lower = "15 kohm"\n', "")], "divider_upper", "two resistors"),
    ("no supply", [('supply_from = "sensor_supply"\n', "")], "supply", "stated or measured"),
    ("supply from nowhere", [('channel = "sensor_supply" ', 'channel = "supply_voltage" '),
     ('[[analog]]\nchannel = "supply_voltage"\ninput = 3\nkind = "voltage"\ndivider_upper = '
      '"47 kohm"\ndivider_lower = "10 kohm"\n', "")], "supply_from", "no channel sensor_supply"),
    ("signal reversed", [("fast = true", 'fast = true\nsignal_low = "95 %"')],
     "signal_high", "above"),
    ("half a thermistor", [("beta = 3950\n", "")], "steinhart_hart", "needs either"),
    ("both thermistors", [("beta = 3950\n", "beta = 3950\nsteinhart_hart = [1e-3, 2e-4, 1e-7]\n")],
     "steinhart_hart", "needs either"),
    ("A and B swapped", [('beta = 3950\n', ""), ('resistance_25 = "10 kohm"\n',
     "steinhart_hart = [1e-3, -2e-4, 1e-7]\n")], "steinhart_hart", "above zero"),
    ("a fast thermistor", [("beta = 3950\n", "beta = 3950\nfast = true\n")], "fast", "too slow"),
    ("over the reference", [('divider_lower = "15 kohm"', 'divider_lower = "150 kohm"')],
     "analog[1 of 6]", "the input would see"),
    ("a limit beyond the range",
     [('cylinder_pressure = "280 psi"', 'cylinder_pressure = "310 psi"')],
     "limits.cylinder_pressure", "never trip"),
    ("a pressure limit beyond", [('pressure = "80 psi"', 'pressure = "120 psi"')],
     "limits.pressure", "never trip"),
    ("speed limits reversed", [('engine_speed_max = "1200 rpm"', 'engine_speed_max = "400 rpm"')],
     "limits.engine_speed_max", "not above"),
    ("a highest speed alone", [('engine_speed_min = "500 rpm"\n', "")],
     "limits.engine_speed_max", "pulse wire that came off"),
    ("too many pulses", [("pulses_per_revolution = 2 ", "pulses_per_revolution = 60 ")],
     "pulses_per_revolution", "pulses a second"),
    ("a speed limit that is noise", [('edge = "rising"', 'edge = "rising"\nhighest = "1000 rpm"')],
     "limits.engine_speed_max", "never trip"),
    ("speeds reversed", [('edge = "rising"', 'edge = "rising"\nhighest = "2000 rpm"\n'
     'slowest = "3000 rpm"')], "highest", "slowest"),
    ("a taken line", [("line = 23", "line = 22")], "line", "already the line"),
    ("a line of SPI", [("line = 23", "line = 9")], "line", "reserved for SPI"),
    ("a line of the other SPI port",
     [("line = 23", "line = 20"), ('type = "MCP3208"', 'type = "MCP3208"\nport = 1')],
     "engine_speed.line", "belongs to SPI port 1"),
]  # fmt: skip


def test_the_demo_is_accepted() -> None:
    assert refused() == []
    assert WHOLE == 11


@pytest.mark.parametrize(
    ("changes", "key", "what"), [case[1:] for case in CASES], ids=[case[0] for case in CASES]
)
def test_each_mistake_is_named_where_it_is(
    changes: list[tuple[str, str]], key: str, what: str
) -> None:
    found = refused(*changes)
    assert any(key in place and what in said for place, said in found), found
