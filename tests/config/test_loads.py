# SPDX-License-Identifier: MIT
"""How much of any window a coil is on, against counting it millisecond by millisecond."""

from __future__ import annotations

import numpy as np
import pytest
from config_texts import HOLD, RAMP, STROKES, put
from hypothesis import given
from hypothesis import strategies as st

from rig.config.files.loading import sheet_from_text
from rig.config.sheet.loads import Load, load_of, worst_duty


def counted_duty(load: Load, window_ms: int) -> float:
    """Worst window of all, from the coil's state in each millisecond."""
    on, rest = round(1e3 * load.on_s), round(1e3 * load.rest_s)
    state = np.tile(np.repeat([1, 0], [on, rest]), load.times)
    state = np.concatenate([np.zeros(window_ms, int), state, np.zeros(window_ms, int)])
    total = np.concatenate([[0], np.cumsum(state)])
    return float((total[window_ms:] - total[:-window_ms]).max()) / window_ms


@given(
    on_ms=st.integers(1, 400),
    rest_ms=st.integers(0, 400),
    times=st.integers(1, 8),
    window_ms=st.integers(1, 1500),
)
def test_worst_duty_is_what_counting_finds(
    on_ms: int, rest_ms: int, times: int, window_ms: int
) -> None:
    load = Load(on_ms / 1e3, rest_ms / 1e3, times)
    assert worst_duty(load, window_ms / 1e3) == pytest.approx(counted_duty(load, window_ms))


def test_never_on_is_no_duty() -> None:
    assert worst_duty(Load(0.0, 0.0, 1), 60.0) == 0.0


@pytest.mark.parametrize(
    ("text", "longest"),
    [
        (STROKES, (0.5, "on_time")),
        (HOLD, (8.0, "watch")),
        (put(HOLD, "state", '"released"'), (2.0, "energise_first")),
        (RAMP, (0.0, "ramp_time_max")),
        (put(RAMP, "coil", '"energised"'), (180.0, "ramp_time_max")),  # 3 up, 3 down, 30 s each
    ],
)
def test_longest_time_at_a_stretch(text: str, longest: tuple[float, str]) -> None:
    sheet = sheet_from_text(text, "x").sheet
    assert sheet.longest_on == longest
    assert load_of(sheet).on_s == longest[0]
