# SPDX-License-Identifier: MIT
"""The rounding rule against JCGM 100:2008, 7.2.6, and the library `uncertainties`."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from rig.core.rounding import ends, fixed, pair, places, signed


def test_the_examples_of_the_guide() -> None:
    """JCGM 100:2008: 7.2.6 (10.057 62 ohm with 27 mohm is 10.058 ohm), 7.2.2 (100.021 47 g with
    0.35 mg), H.1.6 (50.000 838 mm with 32 nm)."""
    assert pair(10.05762, 0.027) == ("10.058", "0.027")
    assert pair(100.02147, 0.00035) == ("100.02147", "0.00035")
    assert pair(50.000838, 0.000032) == ("50.000838", "0.000032")


@pytest.mark.parametrize(
    ("value", "u", "expected"),
    [
        (3.3, 6293.0, ("0", "6300")),
        (4.3835, 0.4239, ("4.38", "0.42")),
        (12.3456, 0.0996, ("12.35", "0.10")),
        (1234.5, 99.6, ("1230", "100")),
        (0.04, 1.2, ("0.0", "1.2")),
        (-0.04, 1.2, ("0.0", "1.2")),
        (2.675, 0.11, ("2.68", "0.11")),
        (2.665, 0.11, ("2.66", "0.11")),
        (4.25, None, ("4.2", None)),
        (4.25, 0.0, ("4.2", None)),
        (4.25, math.nan, ("4.2", None)),
        (4.25, math.inf, ("4.2", None)),
    ],
)
def test_a_value_and_its_uncertainty(value, u, expected) -> None:
    assert pair(value, u) == expected


def test_signs_and_intervals() -> None:
    assert signed(3.7, 2) == "+3.70"
    assert signed(-3.7, 2) == "-3.70"
    assert signed(-0.001, 2) == "0.00"
    assert ends(-5.286374, -2.112505) == ("-5.3", "-2.1")
    assert fixed(1e-20, 3) == "0.000"


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 90))
def test_as_another_library_rounds(value: float, u: float) -> None:
    """`uncertainties`, two digits of the uncertainty (it does not round to tens); a half may go
    either way there."""
    text, sure = pair(value, u)
    assert sure is not None
    other = f"{ufloat(value, u):.2uf}".split("+/-")
    step = 10.0 ** -places(u)
    assert float(sure) == pytest.approx(float(other[1]), abs=1.01 * step if _half(u) else 1e-9 * u)
    assert abs(float(text) - float(other[0])) <= (
        1.01 * step if _half(value, step) else 1e-9 * max(abs(value), step)
    )
    assert abs(float(text) - value) <= u / 15  # what rounding adds is small beside u


def _half(value: float, step: float | None = None) -> bool:
    step = 10.0 ** -places(value) if step is None else step
    part = abs(value / step) % 1
    return abs(part - 0.5) < 1e-6
