# SPDX-License-Identifier: MIT
"""What a setup's gauge must say for its form, and how a wrong one is told."""

from __future__ import annotations

import pytest
from config_texts import SETUP

from rig.config.analog.channel_units import table_unit, unit_of
from rig.config.files.loading import setup_from_text
from rig.config.gauge.text import TextError, from_escapes
from rig.config.gauge.units import UnitError
from rig.core.errors import FileProblems, Problem

NAME = "a.setup.toml"
BEGIN, END = SETUP.index("[gauge]"), SETUP.index("[limits]")
COMMON = (
    'port = "/dev/ttyUSB0"\nperiod = "100 ms"\nmeasuring_range = ["0 psi", "150 psi"]\n'
    'expected_range = ["0 psi", "80 psi"]\n'
)
MODBUS = 'form = "modbus"\nunit = "bar"\n[gauge.modbus]\naddress = 100\n'
NMEA = 'form = "nmea"\n[gauge.nmea]\nsentence = "XDR"\ntransducer = "OILP"\n'
QUERY = 'form = "query"\nask = \'MEAS:PRES?\\n\'\npattern = "{pressure}"\nunit = "kPa"\n'
STREAM = 'pattern = "{pressure} {unit}"\n'


def setup_text(keys: str) -> str:
    return SETUP[:BEGIN] + "[gauge]\n" + COMMON + keys + SETUP[END:]


def problems(keys: str) -> tuple[Problem, ...]:
    with pytest.raises(FileProblems) as caught:
        setup_from_text(setup_text(keys), NAME)
    return caught.value.problems


@pytest.mark.parametrize(
    "keys",
    [
        STREAM,
        QUERY,
        MODBUS,
        NMEA,
        'decimal = "comma"\nthousands = "point"\n' + STREAM,
        MODBUS + '[[gauge.channels]]\nchannel = "oil_temperature"\nunit = "degC"\n'
        'modbus = { address = 102, type = "int16", scale = 0.1 }\n',
        NMEA + '[[gauge.channels]]\nchannel = "oil_temperature"\n'
        'nmea = { sentence = "XDR", transducer = "OILT" }\n',
        'pattern = "{pressure},{oil_temperature}"\nunit = "psi"\n'
        '[[gauge.channels]]\nchannel = "oil_temperature"\nunit = "degF"\nlowest = -40\n',
    ],
)
def test_good_ones(keys: str) -> None:
    gauge = setup_from_text(setup_text(keys), NAME).setup.gauge
    assert gauge is not None


@pytest.mark.parametrize(
    ("keys", "key", "what", "remedy"),
    [
        ("", "gauge.pattern", "this is missing", 'pattern = "{pressure} {unit}"'),
        ('form = "query"\npattern = "{pressure}"\nunit = "psi"\n', "gauge.ask", "missing", "MEAS"),
        ('form = "modbus"\nunit = "psi"\n', "gauge.modbus", "missing", "[gauge.modbus]"),
        ('form = "nmea"\n', "gauge.nmea", "missing", "[gauge.nmea]"),
        ('form = "scpi"\n' + STREAM, "gauge.form", "", "query"),
        (MODBUS.replace('unit = "bar"\n', ""), "gauge.unit", "plain numbers", 'unit = "bar"'),
        (STREAM + 'ask = "x"\n', "gauge.ask", 'belongs to form = "query"', "take it out"),
        (STREAM + "echo = true\n", "gauge.echo", "nothing is sent", "take echo out"),
        (QUERY.replace("\\n'", "\\q'"), "gauge.ask", "stands for nothing", r"\xHH"),
        (STREAM + 'thousands = "point"\n', "gauge.thousands", "both", "above a thousand"),
        (NMEA.replace('"nmea"\n', '"nmea"\ndecimal = "comma"\n'), "gauge.decimal",
         "not written that way", "take it out"),
        ('pattern = "{pressure} {oil_temperature}"\nunit = "psi"\n', "gauge.pattern",
         "has no unit", "[[gauge.channels]]"),
        (STREAM + '[[gauge.channels]]\nchannel = "oil_temperature"\nunit = "degC"\n',
         "gauge.channels[0].channel", "the pattern has no", "put {oil_temperature}"),
        (STREAM.replace("{unit}", "{oil_temperature}") + 'unit = "psi"\n'
         '[[gauge.channels]]\nchannel = "oil_temperature"\nunit = "psi"\n',
         "gauge.channels[0].unit", "not a unit of the channel", "degC"),
        (MODBUS + 'word_order = "DCBA"\ntype = "int16"\n', "gauge.modbus.word_order",
         "is one register", '"ABCD"'),
        (MODBUS + "scale = 0.0\n", "gauge.modbus.scale", "the same", "another scale"),
        (MODBUS.replace("100", "65535"), "gauge.modbus.address", "no register after it", "correct"),
        (NMEA.replace('transducer = "OILP"\n', ""), "gauge.nmea", "one of field and", "exactly"),
        (NMEA.replace('"XDR"', '"PRS"'), "gauge.nmea.transducer", "only XDR", "field"),
        (QUERY + 'reply_within = "2 s"\n', "gauge.reply_within", "readings are stale", "shorter"),
    ],
)  # fmt: skip
def test_wrong_ones(keys: str, key: str, what: str, remedy: str) -> None:
    (problem,) = problems(keys)
    assert problem.key.replace("[1 of 1]", "[0]") == key
    assert what.casefold() in problem.what.casefold()
    assert remedy.casefold() in problem.remedy.casefold()


@pytest.mark.parametrize(
    ("text", "data"),
    [("MEAS?\\r\\n", b"MEAS?\r\n"), ("\\x02A\\x03", b"\x02A\x03"), ("\\\\", b"\\"), ("", b"")],
)
def test_bytes_in_a_setup(text: str, data: bytes) -> None:
    assert from_escapes(text) == data


@pytest.mark.parametrize("text", ["\\q", "\\", "\\x1", "€"])
def test_text_that_stands_for_no_bytes(text: str) -> None:
    with pytest.raises(TextError):
        from_escapes(text)


def test_temperatures_in_other_units() -> None:
    """NIST SP 811 B.8: 212 degF is 100 degC, -40 is -40; 273.15 K is 0 degC."""
    assert unit_of("oil_temperature", "degF").of(212) == pytest.approx(100)
    assert unit_of("oil_temperature", "°F").of(-40) == pytest.approx(-40)
    assert unit_of("oil_temperature", "K").of(273.15) == pytest.approx(0)
    assert unit_of("engine_speed", "Hz").of(15) == 900
    assert table_unit("supply_voltage", "mV") == (1e-3, 0.0)
    with pytest.raises(UnitError, match="not a unit of the channel"):
        unit_of("supply_voltage", "psi")
