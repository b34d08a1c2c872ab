# SPDX-License-Identifier: MIT
"""Formulas of analogue sensors against published values; the source stands beside each."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rig.config.analog import reading_uncertainty, signal
from rig.config.analog.model import AnalogChannel, ConverterSetup
from rig.core.records import GOOD
from rig.physics import sensors

# IEC 60751:2008, table 1 (Pt100, ohm, rounded to 0.01 as there)
PT100 = {
    -200: 18.52, -150: 39.72, -100: 60.26, -50: 80.31, -10: 96.09, 0: 100.00, 10: 103.90,
    50: 119.40, 100: 138.51, 130: 149.83, 200: 175.86, 400: 247.09, 600: 313.71, 850: 390.48,
}  # fmt: skip


@pytest.mark.parametrize(("degc", "ohm"), PT100.items())
def test_platinum_by_the_table_of_iec_60751(degc: float, ohm: float) -> None:
    assert sensors.platinum_ohm(degc, 100.0) == pytest.approx(ohm, abs=0.00501)
    assert sensors.platinum_degc(10 * ohm, 1000.0) == pytest.approx(degc, abs=0.02)


def test_platinum_there_and_back_and_nothing_beyond_its_range() -> None:
    for degc in np.linspace(-200, 850, 211):
        there = sensors.platinum_ohm(float(degc), 1000.0)
        assert sensors.platinum_degc(there, 1000.0) == pytest.approx(degc, abs=1e-6)
    for ohm in (-5.0, 0.0, 100.0, 4500.0, 1e9, math.inf, math.nan):
        assert math.isnan(sensors.platinum_degc(ohm, 1000.0))


# A worked example of textbooks on numerical methods (the root of this equation by Newton's method,
# "a thermistor at 18.99 degC": 13078 ohm), and what its 10 kohm thermistor must have at 25 degC by
# its name. The equation is from Steinhart and Hart (1968); the example's numbers from memory.
ABC = (1.129241e-3, 2.341077e-4, 8.775468e-8)


def test_steinhart_hart_by_a_worked_example() -> None:
    assert sensors.steinhart_hart_ohm(18.99, ABC) == pytest.approx(13_078, abs=2)
    assert sensors.steinhart_hart_degc(13_078, ABC) == pytest.approx(18.99, abs=0.005)
    assert sensors.steinhart_hart_degc(10_000, ABC) == pytest.approx(25.0, abs=0.005)


def test_steinhart_hart_there_and_back() -> None:
    for abc in (ABC, (1.1e-3, 2.5e-4, 0.0)):
        for degc in range(-40, 151, 10):
            ohm = sensors.steinhart_hart_ohm(degc, abc)
            assert sensors.steinhart_hart_degc(ohm, abc) == pytest.approx(degc, abs=1e-6)
    for ohm in (0.0, -1.0, math.nan):
        assert math.isnan(sensors.steinhart_hart_degc(ohm, (1.1e-3, 2.3e-4, 9e-8)))


def test_beta_is_the_two_point_form() -> None:
    """R = R25 exp(beta (1/T - 1/T25)), the definition of beta."""
    abc = sensors.beta_as_steinhart_hart(10_000.0, 3950.0)
    assert sensors.steinhart_hart_ohm(25.0, abc) == pytest.approx(10_000.0)
    hot = 10_000.0 * math.exp(3950.0 * (1 / 363.15 - 1 / 298.15))
    assert sensors.steinhart_hart_ohm(90.0, abc) == pytest.approx(hot)


def converter(reference_v: float) -> ConverterSetup:
    data = {"type": "MCP3208", "reference_v": reference_v}
    return ConverterSetup.model_validate(data, context={"resolved": True})


CONVERTER = converter(5.0)


def ratiometric(**changes: object) -> AnalogChannel:
    base = {
        "channel": "pressure", "input": 0, "kind": "ratiometric",
        "pressure_range_kpa": (0.0, 100.0), "supply_v": 5.0,
    }  # fmt: skip
    return AnalogChannel.model_validate(base | changes, context={"resolved": True})


@pytest.mark.parametrize(("volts", "shown"), [(0.5, 0), (1.3, 20), (2.5, 50), (4.5, 100)])
def test_ratiometric_of_its_supply(volts: float, shown: float) -> None:
    """p = FS (V/Vs - 0.1)/0.8: the definition of a 0.5 to 4.5 V signal of a 5 V supply."""
    line = signal.signal_line(ratiometric())
    assert line.offset + line.scale * volts == pytest.approx(shown, abs=1e-9)


def test_a_supply_that_is_measured_cancels_and_one_that_is_assumed_does_not() -> None:
    """4.90 V in truth, 2.45 V of signal: 50.00 with the supply measured, 48.75 with 5 V assumed
    (by the formula above)."""
    measured = ratiometric(supply_v=None, supply_from="sensor_supply")
    line = signal.signal_line(measured, 4.90)
    assert line.offset + line.scale * 2.45 == pytest.approx(50.0)
    line = signal.signal_line(ratiometric())
    assert line.offset + line.scale * 2.45 == pytest.approx(48.75)


def loop(**changes: object) -> AnalogChannel:
    base = {
        "channel": "pressure", "input": 0, "kind": "current loop", "shunt_ohm": 200.0,
        "pressure_range_kpa": (0.0, 100.0),
    }  # fmt: skip
    return AnalogChannel.model_validate(base | changes, context={"resolved": True})


@pytest.mark.parametrize(
    ("milliampere", "percent", "quality"),
    # % = 100 (I - 4)/16; bands of NAMUR NE 43: measuring 3.8 to 20.5 mA, failure at 3.6 mA and
    # below, at 21 mA and above; 0 mA is a broken wire
    [(0.0, -25.0, "fault band"), (3.5, -3.125, "fault band"), (3.7, -1.875, "out of range"),
     (3.85, -0.9375, GOOD), (4.0, 0.0, GOOD), (12.0, 50.0, GOOD), (20.0, 100.0, GOOD),
     (20.3, 101.875, GOOD), (20.7, 104.375, "out of range"), (21.1, 106.875, "fault band")],
)  # fmt: skip
def test_current_loop_and_the_bands_of_ne_43(
    milliampere: float, percent: float, quality: str
) -> None:
    line = signal.code_line(loop(), CONVERTER)
    code = round(milliampere * 1e-3 * 200.0 / signal.lsb_v(CONVERTER))
    value, found = signal.reading(code, loop(), CONVERTER, line)
    assert value == pytest.approx(percent, abs=0.05)
    assert found == quality


def test_the_bands_to_a_code() -> None:
    """Codes 5 uA apart on either side of 3.6, 3.8, 20.5 and 21 mA (NE 43)."""
    sharp = converter(4.096)  # 1 mV a code, 5 uA on 200 ohm
    line = signal.code_line(loop(), sharp)
    for code, quality in ((719, "fault band"), (721, "out of range"), (759, "out of range"),
                          (761, GOOD)):  # fmt: skip
        assert signal.reading(code, loop(), sharp, line)[1] == quality
    wide = converter(5.12)  # 1.25 mV a code, 6.25 uA
    line = signal.code_line(loop(), wide)
    for code, quality in ((3279, GOOD), (3281, "out of range"), (3359, "out of range"),
                          (3361, "fault band")):  # fmt: skip
        assert signal.reading(code, loop(), wide, line)[1] == quality


def test_quantisation() -> None:
    """12 bit of 5 V: one code is 1.220703 mV, its standard uncertainty 0.352387 mV (q/sqrt 12,
    JCGM 100:2008, 4.3.7 and F.2.2.1)."""
    assert signal.lsb_v(CONVERTER) == pytest.approx(1.220703e-3, rel=1e-6)
    plain = AnalogChannel.model_validate(
        {"channel": "sensor_supply", "input": 0, "kind": "voltage"}, context={"resolved": True}
    )
    shares = {s.name: s.standard for s in reading_uncertainty.uncertainty(2.5, plain, CONVERTER)}
    assert shares["quantisation"] == pytest.approx(0.352387e-3, rel=1e-5)
    many = plain.model_copy(update={"oversampling": 16})
    shares = {s.name: s.standard for s in reading_uncertainty.uncertainty(2.5, many, CONVERTER)}
    assert shares["quantisation"] == pytest.approx(0.352387e-3 / 4, rel=1e-5)


def test_uncertainty_by_another_way() -> None:
    """Each share against the reading's own change: the input moved by one standard uncertainty."""
    channel = loop(resistor_tolerance=0.01)
    shares = {s.name: s.standard for s in reading_uncertainty.uncertainty(75.0, channel, CONVERTER)}
    line = signal.signal_line(channel)
    volts = (75.0 - line.offset) / line.scale
    for name, part in (("shunt", 0.01), ("reference", 0.005)):
        moved = line.offset + line.scale * volts * (1 + part / math.sqrt(3))
        assert shares[name] == pytest.approx(moved - 75.0, rel=1e-6)


def test_oversampling_of_a_dithered_signal_does_what_the_share_says() -> None:
    """A million noisy conversions in fact: the error of sums of 16 is near q/sqrt(12)/4 where the
    noise is uniform over one code, which leaves quantisation without bias (Widrow's condition)."""
    rng = np.random.default_rng(1)
    true = rng.uniform(100.0, 101.0, 60_000)
    codes = np.floor(true[:, None] + rng.uniform(0.0, 1.0, (60_000, 16)))
    error = codes.mean(axis=1) - true
    # uniform dither adds as much again: sqrt(2/12) of a code for one conversion, on average
    assert error.std() == pytest.approx(math.sqrt(1 / 6) / 4, rel=0.02)


def test_thermistor_through_divider_and_converter() -> None:
    channel = AnalogChannel.model_validate(
        {"channel": "oil_temperature", "input": 0, "kind": "thermistor",
         "series_resistor_ohm": 1000.0, "resistance_25_ohm": 10_000.0, "beta_k": 3950.0,
         "oversampling": 16}, context={"resolved": True},
    )  # fmt: skip
    for degc in (-10.0, 25.0, 90.0, 130.0):
        volts = signal.input_volts(degc, channel, CONVERTER)
        code = round(volts / signal.lsb_v(CONVERTER) * 16)
        value, quality = signal.reading(code, channel, CONVERTER, None)
        assert quality == GOOD and value == pytest.approx(degc, abs=0.1)
    for code in (0, 4095 * 16):
        assert signal.reading(code, channel, CONVERTER, None) == (None, "open or shorted")
