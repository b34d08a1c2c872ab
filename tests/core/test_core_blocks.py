# SPDX-License-Identifier: MIT
"""Blocks of fast readings: as text, and in a recording beside single readings."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.core.recording import RecordingBuilder
from rig.core.records import GOOD, Block, Sample, decode, decode_lines, encode, encode_lines

BLOCK = Block("coil_current", 1000, [250, 251], [0, 410, 4095], 0.5, -1.0, 48,
              [[0, GOOD], [2, "out of range"]])  # fmt: skip


def test_a_block_as_text() -> None:
    text = encode(BLOCK)
    assert text == (
        '["B","coil_current",1000,[250,251],[0,410,4095],0.5,-1.0,48,'
        '[[0,"good"],[2,"out of range"]]]'
    )
    assert decode(text) == BLOCK
    assert list(decode_lines(encode_lines([BLOCK, BLOCK]))) == [BLOCK, BLOCK]


def test_a_recording_of_blocks_reads_as_samples_and_keeps_the_codes() -> None:
    later = BLOCK._replace(t_ns=5000, half_ns=61)
    slow = Sample("oil_temperature", 90.0, 2000, GOOD)
    recording = RecordingBuilder("simulated").add_all([BLOCK, slow, later]).build()
    current = recording.samples["coil_current"]
    assert current.t_ns.tolist() == [1000, 1250, 1501, 5000, 5250, 5501]
    assert current.value.tolist() == [-1.0, 204.0, 2046.5] * 2
    assert current.good.tolist() == [True, True, False] * 2
    fast = recording.fast["coil_current"]
    assert fast.codes.tolist() == [0, 410, 4095] * 2
    assert (fast.half_ns, fast.blocks) == (61, 2)
    assert set(recording.fast) == {"coil_current"} and recording.t0_ns == 1000


@given(
    st.lists(st.integers(-4096, 300_000), min_size=1, max_size=50),
    st.integers(0, 2**62),
    st.floats(allow_nan=False, allow_infinity=False),
)
def test_any_block_there_and_back(codes: list[int], t_ns: int, scale: float) -> None:
    block = Block("pressure", t_ns, [7] * (len(codes) - 1), codes, scale, 0.25, 1, [[0, GOOD]])
    assert decode(encode(block)) == block


def test_what_is_no_number_is_not_stored() -> None:
    with pytest.raises(ValueError, match="JSON"):
        encode(BLOCK._replace(scale=float("nan")))
