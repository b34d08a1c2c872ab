# SPDX-License-Identifier: MIT
"""The reader's units against published factors and pint, and sentences against what they said."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.bench.interlock.gauge_rules import over_pressure
from rig.core.quantities import QuantityError, parse, registry
from rig.core.reader_units import (
    PRESSURES,
    SI,
    TEMPERATURES,
    Units,
    of_setup_text,
    read_choice,
    units,
    use,
)
from rig.core.rounding import apart

PSI = Units("psi", "degF")

# NIST SP 811 (2008), appendix B.8: psi to kPa 6.894 757 E+00 (6.894757293168, from the pound-force
# of 4.4482216152605 N and the inch of 25.4 mm, both exact); bar to kPa 1.0 E+02;
# t/degC = (t/degF - 32)/1.8
KPA_PER_PSI = 4.4482216152605 / 0.0254**2 / 1000


def test_the_factors_are_those_of_nist_sp_811() -> None:
    assert pytest.approx(6.894757293168, rel=1e-12) == KPA_PER_PSI
    assert PSI.value(6.894757293168, "kPa") == pytest.approx(1.0, rel=1e-12)
    assert PSI.value(6.894757293168, "kPa/s") == pytest.approx(1.0, rel=1e-12)
    assert PSI.value(1.0, "ms/kPa") == pytest.approx(6.894757293168, rel=1e-12)
    assert Units("bar").value(100.0, "kPa") == 1.0
    assert (PSI.unit("kPa/s"), PSI.unit("ms/kPa"), PSI.unit("°C")) == ("psi/s", "ms/psi", "°F")


@pytest.mark.parametrize(("degc", "degf"), [(0, 32), (100, 212), (37, 98.6), (-40, -40)])
def test_a_temperature_has_an_offset_and_a_difference_has_none(degc: float, degf: float) -> None:
    """Steam and ice points, and where both scales meet."""
    assert PSI.value(degc, "degC") == pytest.approx(degf)
    assert PSI.difference(degc, "degC") == pytest.approx(1.8 * degc)
    assert PSI.words("oil at 90 degC, ± 0.5 degC") == "oil at 194 degF, ± 0.9 degF"


@given(st.floats(-1e4, 1e4))
def test_pint_converts_alike(value: float) -> None:
    quantity = registry().Quantity
    for one in (PSI, Units("bar")):
        for si, dimension in (("kPa", "kPa"), ("degC", "degC")):
            expected = quantity(value, dimension).to(one.unit(si)).magnitude
            assert one.value(value, si) == pytest.approx(expected, rel=1e-9, abs=1e-9)


@given(st.decimals(-2000, 2000, places=None, allow_nan=False), st.integers(0, 3))
def test_a_sentence_claims_neither_more_nor_less_than_before(value: object, digits: int) -> None:
    """The number shown, converted back and rounded as it was, is the number in the sentence."""
    for si in ("kPa", "kPa/s", "degC"):
        before = f"{float(value):.{digits}f}"  # type: ignore[arg-type]
        for one in (PSI, Units("bar")):
            after = one.words(f"It is {before} {si}.")
            found = re.fullmatch(rf"It is (\S+) {re.escape(one.unit(si))}\.", after)
            assert found, after
            back = float(found[1])
            half = 0.5 * 10.0**-digits * (1 + 1e-9)
            low, high = (one.value(float(before) + way * half, si) for way in (-1, 1))
            assert low <= back <= high


def test_a_limit_comes_back_as_it_was_typed_and_stays_apart_from_the_value() -> None:
    sentence = "Pressure 553 kPa is over the limit of 552 kPa."
    assert PSI.words(sentence) == "Pressure 80.2 psi is over the limit of 80 psi."
    assert Units("bar").words(sentence) == "Pressure 5.53 bar is over the limit of 5.52 bar."


@given(st.integers(1, 9), st.integers(0, 5))
def test_a_round_limit_of_the_program_stays_round_and_what_it_is(first: int, zeros: int) -> None:
    """Within 0.1 %, with no more than four digits, and in kPa as it is."""
    kpa = first * 10**zeros
    for one in (PSI, Units("bar")):
        value, unit = one.range_words(f"{kpa} kPa").split()
        assert unit == one.pressure
        assert float(value) == pytest.approx(one.value(kpa, "kPa"), rel=1.001e-3)
        assert len(value.replace(".", "").strip("0")) <= 4
    assert SI.range_words(f"0 kPa to {kpa} kPa") == f"0 kPa to {kpa} kPa"
    assert PSI.range_words("0 kPa to 100000 kPa, -60 degC") == "0 psi to 14500 psi, -76 degF"


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("0 kPa", "0 psi"), ("-7 kPa", "-1 psi"), ("+2.3 kPa", "+0.33 psi"),
        ("20 to 90 degC", "68 to 194 degF"), ("40 and 100 degC", "104 and 212 degF"),
        ("falls by 12.3 kPa/s.", "falls by 1.78 psi/s."), ("± 1.2 kPa", "± 0.17 psi"),
        ("1e+03 kPa", "150 psi"), ("1 kPa", "0.15 psi"), ("0.5 ms/kPa", "0.5 ms/kPa"),
        ("25 kPa_x", "25 kPa_x"),
        ("type `--point 100 kPa`", "type `--point 100 kPa`"), ('"100 kPa" is', '"100 kPa" is'),
        ("cylinder 1, 420 kPa", "cylinder 1, 60.9 psi"), ("V1.100 kPa", "V1.100 kPa"),
    ],
)  # fmt: skip
def test_what_a_sentence_becomes(before: str, after: str) -> None:
    assert PSI.words(before) == after
    assert SI.words(before) == before
    assert PSI.words(PSI.words(before)) == after


@pytest.mark.parametrize("text", ["44 psi", "0.5 psi", "100 psi", "-2 psi", "62.25 psi"])
def test_a_typed_pressure_comes_back_as_typed_whoever_reads_it(text: str) -> None:
    for reader in (SI, PSI, Units("bar")):
        assert reader.as_typed("kPa", parse(text, "pressure")) == text


def test_a_pressure_that_is_short_in_kpa_and_in_bar_is_shown_in_the_readers() -> None:
    assert SI.as_typed("kPa", parse("3.5 bar", "pressure")) == "350 kPa"
    assert Units("bar").as_typed("kPa", parse("350 kPa", "pressure")) == "3.5 bar"
    assert SI.as_typed("kPa", 0.0, parse("100 psi", "pressure")) == "0 to 100 psi"


def test_a_typed_temperature_comes_back_in_the_readers_unit_without_false_digits() -> None:
    assert PSI.as_typed("degC", parse("194 degF", "temperature")) == "194 degF"
    assert SI.as_typed("degC", parse("92 degC", "temperature")) == "92 degC"
    assert PSI.as_typed("degC", parse("92 degC", "temperature")) == "197.6 degF"
    assert SI.as_typed("kPa", math.pi * 100) == "314.2 kPa"
    assert SI.as_typed("V", 12.6) == "12.6 V"


def test_digits_follow_the_size_of_the_unit() -> None:
    assert [Units(one).digits("kPa", 1) for one in PRESSURES] == [1, 3, 2]
    assert PSI.digits("degC", 1) == 1
    assert Units("bar").text(551.58, "kPa", 0) == "5.52 bar"


@pytest.mark.parametrize("text", ["psi", "degF", "bar,degC", "psi, degF"])
def test_a_choice_is_read(text: str) -> None:
    chosen = read_choice(text)
    assert chosen.pressure in PRESSURES
    assert chosen.temperature in TEMPERATURES
    assert read_choice(str(chosen)) == chosen


@pytest.mark.parametrize("text", ["", "PSI", "psi,bar", "degC,degF", "kPa;psi", "psi,"])
def test_a_wrong_choice_is_refused_with_a_remedy(text: str) -> None:
    with pytest.raises(QuantityError, match="write a pressure unit"):
        read_choice(text)


def test_the_setups_choice_is_found_without_reading_the_rest() -> None:
    assert of_setup_text('[units]\npressure = "psi"\n') == Units("psi")
    assert of_setup_text('title = "[units]"\n') is None
    assert of_setup_text('[units]\npressure = "atm"\n') is None
    assert of_setup_text("[units]\npressure = 4\n") is None
    assert of_setup_text("[units\n") is None


def test_nobody_chose() -> None:
    use(None)
    assert units() is SI


@pytest.mark.parametrize(
    ("value", "limit", "shown"),
    [
        (560.0, 552.0, ("560", "552")), (551.62, 551.58, ("551.62", "551.58")),
        (552.4, 551.6, ("552.4", "551.6")), (math.nan, 552.0, ("nan", "552")),
        (-0.2, 0.0, ("-0.2", "0.0")), (552.0, 552.0, ("552", "552")),
    ],
)  # fmt: skip
def test_a_value_beyond_its_limit_never_reads_like_it(
    value: float, limit: float, shown: tuple[str, str]
) -> None:
    assert (apart(value, limit), apart(limit, value)) == shown
    tripped = over_pressure(value, limit)
    assert (tripped is not None) == (not value <= limit)
    if tripped is not None:
        sentence = f"Pressure {shown[0]} kPa is over the limit of {shown[1]} kPa."
        assert tripped.message.startswith(sentence)
