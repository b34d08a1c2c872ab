# SPDX-License-Identifier: MIT
from hypothesis import given
from hypothesis import strategies as st

from rig.cli.terminal.plot import ASCII_BLOCKS, BLOCKS, MISSING, plot


def test_lowest_and_highest_value():
    assert plot([1.0, 2.0, None, 3.0], 10, rows=1) == ["▁▅x█"]
    lines = plot([1.0, None, 3.0], 10, rows=2)
    assert [line[0] for line in lines] == [" ", "▁"]
    assert [line[1] for line in lines] == [" ", MISSING]
    assert [line[2] for line in lines] == ["█", "█"]


def test_nothing_to_draw():
    assert plot([], 10) == []
    assert plot([None, None], 10) == []


def test_a_single_slow_stroke_is_not_averaged_away():
    values = [50.0] * 1000
    values[537] = 95.0
    lines = plot(values, 50)
    assert all(len(line) == 50 for line in lines)
    assert lines[0].index("█") == 537 * 50 // 1000


def test_equal_values_make_a_flat_line():
    assert plot([5.0, 5.0, 5.0], 10, rows=2) == ["   ", "███"]


@given(
    st.lists(st.one_of(st.none(), st.floats(-1e9, 1e9)), max_size=300),
    st.integers(1, 100),
    st.integers(1, 6),
    st.booleans(),
)
def test_any_values_fit(values, width, rows, ascii_only):
    lines = plot(values, width, rows, ascii_only=ascii_only)
    allowed = set(ASCII_BLOCKS if ascii_only else BLOCKS) | {MISSING}
    if all(value is None for value in values):
        assert lines == []
        return
    assert len(lines) == rows
    assert {len(line) for line in lines} == {min(width, len(values))}
    assert set("".join(lines)) <= allowed
    # the largest value reaches the top, every known column shows something
    bottom = lines[-1]
    assert " " not in bottom
