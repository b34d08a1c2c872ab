# SPDX-License-Identifier: MIT
"""Whatever bytes arrive, cut however: no exception, and no value that was not sent.

The oracle reads the stream another way: whole lines by split, numbers by Decimal, units by a
table of its own, the pattern by hand.
"""

import itertools
import re
from decimal import Decimal, InvalidOperation
from fractions import Fraction

import pytest
from gauge_texts import gauge_setup
from hypothesis import example, given
from hypothesis import strategies as st

from rig.core.clock import VirtualClock
from rig.core.records import GOOD, Condition, Sample
from rig.io.gauges.links import MemoryLink
from rig.io.gauges.streaming import StreamGauge

# Exact definitions, NIST SP 811 appendix B.8.
TO_KPA = {
    b"psi": Fraction("4.4482216152605") / Fraction("0.0254") ** 2 / 1000,
    b"bar": Fraction(100),
    b"kPa": Fraction(1),
}
LOW, HIGH = 0.0, 700.0


def number(text: bytes) -> Decimal | None:
    """A plain decimal number, or None. Decimal refuses what float takes only by these checks."""
    if not text or not set(text) <= set(b"0123456789.+-eE"):
        return None
    _, _, exponent = text.lower().partition(b"e")
    if b"e" in text.lower() and not 1 <= len(exponent.lstrip(b"+-")) <= 3:
        return None
    try:
        return Decimal(text.decode("ascii"))
    except InvalidOperation:
        return None


def oracle(stream: bytes) -> list[float]:
    """The good values, kPa, of `{pressure} {unit}` lines with a known unit, in order. The unit of
    the first good one is the unit of all."""
    values: list[float] = []
    first: bytes | None = None
    for line in re.split(rb"[\r\n]", stream)[1:-1]:
        if len(line) > 256:
            continue
        line = line.strip(b" \t")
        for unit, factor in TO_KPA.items():
            if line.endswith(unit):
                text = line.removesuffix(unit).rstrip(b" \t")
                value = number(re.sub(rb"^([+-])[ \t]+", rb"\1", text))
                if value is None or abs(value) > Decimal("9e37"):
                    break
                kpa = Fraction(value) * factor
                if LOW <= kpa <= HIGH and first in (None, unit):
                    first = unit
                    values.append(float(kpa))
                break
    return values


fragments = st.one_of(
    st.sampled_from(
        [b"45", b"45.0", b".5", b"5.", b"+", b"-", b"1e", b"e2", b"1E+02", b"1e-3", b"1_0", b"1,5",
         b"nan", b"inf", b"OL", b"----", b"9.91E37", b"1e400", b" ", b"\t", b"psi", b"bar", b"kPa",
         b" psi\r\n", b" bar\n", b"kPa\r", b"\r", b"\n", b"\r\n", b"\x00", b"\xff", b"45 psi\r\n",
         b"3.1 bar\r\n", b"x" * 300]
    ),
    st.binary(max_size=6),
    st.floats(-1e3, 1e3, allow_nan=False).map(lambda x: f"{x:.3f} kPa\r\n".encode()),
)  # fmt: skip


def play(pieces: list[bytes]) -> tuple[StreamGauge, list[Sample | Condition]]:
    link = MemoryLink()
    gauge = StreamGauge(link, VirtualClock(), gauge_setup())
    got: list[Sample | Condition] = []
    for t_ns, piece in enumerate(pieces):
        link.feed(t_ns, piece)
        got += gauge.read()
    return gauge, got


@given(st.lists(fragments, max_size=40))
@example([b"\n", b"45 ", b"psi", b"\r", b"\n"])
@example([b"\n1.5", b"\x00", b"2 kPa\n"])
@example([b"\n-0 kPa\n"])
def test_good_values_are_exactly_those_that_were_sent(pieces: list[bytes]) -> None:
    gauge, got = play(pieces)
    values = [item.value for item in got if isinstance(item, Sample) and item.quality == GOOD]
    assert values == [pytest.approx(value, rel=1e-12) for value in oracle(b"".join(pieces))]
    for item in got:
        if isinstance(item, Sample):
            assert (item.value is None) == (item.quality not in (GOOD, "out of range"))
        assert type(item.t_ns) is int
        assert 0 <= item.t_ns < len(pieces)
    assert [item.t_ns for item in got] == sorted(item.t_ns for item in got)
    assert gauge.frames_ok == sum(isinstance(item, Sample) for item in got)


@given(st.binary(max_size=2000), st.lists(st.integers(0, 2000), max_size=20))
def test_any_bytes_cut_anywhere_give_the_same(stream: bytes, cuts: list[int]) -> None:
    places = sorted({0, len(stream), *(cut for cut in cuts if cut < len(stream))})
    pieces = [stream[a:b] for a, b in itertools.pairwise(places)]
    cut, whole = play(pieces)[1], play([stream])[1]
    assert [item._replace(t_ns=0) for item in cut] == [item._replace(t_ns=0) for item in whole]
