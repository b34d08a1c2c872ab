# SPDX-License-Identifier: MIT
import pytest

from rig.core.records import GOOD, Condition, Sample
from rig.io.gauges.pattern import (
    FRAME_REJECTED,
    NO_NUMBER,
    OUT_OF_RANGE,
    UNIT_CHANGED,
    UNIT_UNKNOWN,
    StreamDecoder,
    compile_pattern,
)

T_NS = 123_456_789_012_345_678
PSI = 6.894757293168361  # kPa; NIST SP 811, appendix B.8


def decoder(
    pattern: str = "{pressure} {unit}", unit: str | None = None, top: float = 700.0
) -> StreamDecoder:
    return compile_pattern(pattern, unit, (0.0, top))


def sample(value: float | None, quality: str) -> Sample:
    return Sample("pressure", value, T_NS, quality)


@pytest.mark.parametrize(
    ("line", "value", "quality"),
    [
        (b"45 psi", 45 * PSI, GOOD),
        (b"45.00psig", 45 * PSI, GOOD),
        (b"3.1 bar", 310.0, GOOD),
        (b"0.31 MPa", 310.0, GOOD),
        (b"310 kPa", 310.0, GOOD),
        (b"2 kgf/cm\xc2\xb2", 196.133, GOOD),
        (b"0 psi", 0.0, GOOD),
        (b"-0.0 psi", 0.0, GOOD),
        (b"700 kPa", 700.0, GOOD),
        (b"700.1 kPa", 700.1, OUT_OF_RANGE),
        (b"-3 kPa", -3.0, OUT_OF_RANGE),
        (b"nan psi", None, NO_NUMBER),
        (b"-inf psi", None, NO_NUMBER),
        (b"---- psi", None, NO_NUMBER),
        (b"OL psi", None, NO_NUMBER),
        (b"1e400 psi", None, NO_NUMBER),
        (b"9.91E37 psi", None, NO_NUMBER),
        (b"-9.9E37 kPa", None, NO_NUMBER),
        (b"45 psia", None, UNIT_UNKNOWN),
        (b"45 degC", None, UNIT_UNKNOWN),
        (b"OL degC", None, UNIT_UNKNOWN),
    ],
)
def test_readings(line: bytes, value: float | None, quality: str) -> None:
    got = decoder().decode(T_NS, line)
    assert isinstance(got, Sample)
    assert got == sample(got.value, quality)
    assert got.value == (None if value is None else pytest.approx(value, rel=1e-12))


@pytest.mark.parametrize(
    "line",
    [b"", b"45", b"psi", b"45 psi 3", b"4 5 psi", b"1_000 psi", b"0x1F psi", b"45 psi\x00",
     b"\x8845 psi", b"45,0 psi", b"\xff\xfe\x00", b"45 psi; 45 psi"],
)  # fmt: skip
def test_a_line_that_does_not_match_is_rejected_with_its_bytes(line: bytes) -> None:
    got = decoder().decode(T_NS, line)
    assert got == Condition(FRAME_REJECTED, T_NS, f"{repr(line)[1:]} does not match the pattern")


def test_the_bytes_shown_are_bounded() -> None:
    got = decoder().decode(T_NS, b"\xff" * 256)
    assert isinstance(got, Condition)
    assert "..." in got.detail
    assert len(got.detail) < 300


def test_a_unit_other_than_the_setups_is_not_believed() -> None:
    """Somebody pressed the unit button: 45 psi and 45 bar differ by fourteen times."""
    with_unit = decoder(unit="psi")
    assert with_unit.decode(T_NS, b"45 psi") == sample(45 * PSI, GOOD)
    assert with_unit.decode(T_NS, b"45 PSIG") == sample(45 * PSI, GOOD)
    for line in (b"3.1 bar", b"45 psia", b"45 furlong"):
        assert with_unit.decode(T_NS, line) == sample(None, UNIT_CHANGED)


def test_a_unit_only_pint_knows() -> None:
    got = decoder("{pressure}", "N/m^2").decode(T_NS, b"250000")
    assert isinstance(got, Sample)
    assert got.value == pytest.approx(250.0)
    assert got.quality == GOOD


def test_without_a_measuring_range_every_finite_number_is_good() -> None:
    plain = compile_pattern("{pressure}", "kPa")
    assert plain.decode(T_NS, b"-1e9") == sample(-1e9, GOOD)


def test_decoding_is_pure() -> None:
    one = decoder()
    lines = [b"45 psi", b"garbage", b"3.1 bar", b"nan psi", b"45 psi"]
    assert [one.decode(T_NS, line) for line in lines] == [
        decoder().decode(T_NS, line) for line in lines
    ]
