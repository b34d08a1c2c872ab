# SPDX-License-Identifier: MIT
"""Raw records: text and back, exactly, and nothing else taken for one."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.core import records as rec

T_NS = st.integers(0, 2**63 - 1)
WORD = st.text(max_size=20)
BIT = st.integers(0, 1)
FINITE = st.floats(allow_nan=False, allow_infinity=False)
RECORDS = st.one_of(
    st.builds(rec.Edge, WORD, BIT, T_NS, T_NS, WORD),
    st.builds(rec.Level, WORD, BIT, T_NS),
    st.builds(rec.Sample, WORD, FINITE | st.none(), T_NS, WORD),
    st.builds(rec.Command, st.booleans(), T_NS, T_NS, st.integers(0, 10**6)),
    st.builds(rec.Condition, WORD, T_NS, WORD),
    st.builds(rec.Step, WORD, st.integers(0, 10**6), T_NS),
    st.builds(rec.Trip, WORD, FINITE | st.none(), FINITE | st.none(), WORD, T_NS, WORD),
    st.builds(rec.End, WORD, WORD, T_NS),
)


@given(RECORDS)
def test_text_and_back(record: rec.Record) -> None:
    line = rec.encode(record)
    assert "\n" not in line
    back = rec.decode(line)
    assert back == record
    assert type(back) is type(record)
    assert rec.decode(line.encode()) == record
    assert isinstance(json.loads(line), list)  # any JSON reader can read a raw file


@given(st.lists(RECORDS, max_size=20))
def test_many(records: list[rec.Record]) -> None:
    text = rec.encode_lines(records)
    assert list(rec.decode_lines(text)) == records
    assert text.count(b"\n") == len(records)


def test_nanoseconds_keep_their_last_digit() -> None:
    t_ns = 2**63 - 1  # more digits than a float holds
    assert rec.decode(rec.encode(rec.Edge("switch", 1, t_ns, 1, "kernel"))).t_ns == t_ns


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_nan_and_infinity_never_leave_the_program(value: float) -> None:
    with pytest.raises(ValueError, match="JSON"):
        rec.encode(rec.Sample("pressure", value, 0, "good"))


@pytest.mark.parametrize(
    "line",
    [
        "", "x", "[]", "{}", "3", "null", '["E"]', '["Q",1]', '["E","switch",1,2,3,4,5]', "[[]]",
        '["L","switch",1', '{"E":1}', b"\xff\xfe",
    ],
)  # fmt: skip
def test_what_is_not_a_record(line: str | bytes) -> None:
    with pytest.raises(ValueError, match="not a record"):
        rec.decode(line)


@given(st.recursive(st.none() | st.booleans() | FINITE | WORD, st.lists, max_leaves=8))
def test_any_json_is_a_record_or_a_value_error(data: Any) -> None:
    try:
        rec.decode(json.dumps(data))
    except ValueError as error:
        assert str(error).startswith("not a record")


def test_lines_longer_than_a_message_are_cut_in_it() -> None:
    with pytest.raises(ValueError) as caught:
        rec.decode("x" * 10_000)
    assert len(str(caught.value)) < 200
