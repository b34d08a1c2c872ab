# SPDX-License-Identifier: MIT
from __future__ import annotations

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.core import messages


def test_an_order_comes_back_as_it_was_given() -> None:
    for name in messages.ORDERS:
        assert messages.read_order(messages.order(name, "because"))[:2] == (name, "because")
    beat = messages.read_order(messages.order("beat", lag_s=1.5, free_mb=90))
    assert (beat.lag_s, beat.free_mb) == (1.5, 90.0)


@pytest.mark.parametrize(
    "line",
    [b"", b"[]", b"nonsense", b"1", b"{}", b'{"v":2,"order":"stop"}', b'{"v":1,"order":"fire"}',
     b'{"v":1,"order":"stop","why":3}', b'{"v":1,"order":"stop","limit":3}', b'{"v":1}',
     b'{"v":true,"order":["stop"]}', b'{"v":1,"order":"beat","lag_s":NaN}',
     b'{"v":1,"order":"beat","free_mb":"1"}', b"\xff\xfe", b"[" * 5000,
     b'{"v":1,"order":"beat","lag_s":1' + b"0" * 400 + b"}"],
)  # fmt: skip
def test_a_malformed_order_is_refused(line: bytes) -> None:
    with pytest.raises(ValueError):
        messages.read_order(line)


@given(st.binary(max_size=200) | st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner),
).map(lambda data: json.dumps(data).encode()))  # fmt: skip
def test_whatever_arrives_is_an_order_or_a_value_error(line: bytes) -> None:
    try:
        order = messages.read_order(line)
    except ValueError:
        return
    assert order.order in messages.ORDERS


def test_nan_never_leaves() -> None:
    with pytest.raises(ValueError):
        messages.tell("status", pressure_kpa=float("nan"))


def test_free_space_that_is_no_longer_known_is_not_the_same_as_none_told() -> None:
    assert messages.read_order(messages.order("beat")).free_mb is None
    unknown = messages.read_order(messages.order("beat", free_mb=None)).free_mb
    assert unknown is not None and math.isnan(unknown)


def test_a_telling_comes_back_as_it_was_given_and_nothing_else_is_one() -> None:
    told = messages.read_telling(messages.tell("ended", off="still live", t_ns=7).encode())
    assert told == {"v": 1, "tell": "ended", "off": "still live", "t_ns": 7}
    for line in (b"{}", b'{"v":1}', b'{"v":1,"tell":3}', b'{"v":2,"tell":"ended"}', b"[]"):
        with pytest.raises(ValueError):
            messages.read_telling(line)
