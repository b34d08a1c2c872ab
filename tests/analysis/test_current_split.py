# SPDX-License-Identifier: MIT
"""Parts of a response that the coil's current cannot tell apart are given together."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from rig.analysis.coil.current_rise import MOVED
from rig.analysis.coil.plunger_timing import StrokeCurrent
from rig.analysis.coil.split import of_run, split
from rig.results.coil_json import _parts, _row, _together
from rig.text.coil_current import _split

NAN = math.nan


def stroke(
    leaves: float, u_leaves: float, seated: float, u_seated: float, settled: float = 32.0
) -> StrokeCurrent:
    """Instants in ms after the coil went live, as the fit gives them."""
    return StrokeCurrent(
        MOVED, "", 5.8, leaves, u_leaves, seated - leaves, math.hypot(u_leaves, u_seated),
        settled - seated, u_seated, seated, u_seated, NAN, NAN, NAN, NAN, 0.45, 2.2, 0.1, 2.8,
        0.3, NAN, NAN,
    )  # fmt: skip


def told(rows: list[StrokeCurrent]) -> str:
    pieces = of_run(rows)
    seen = {"parts": _parts(rows, pieces), "together": _together(pieces)}
    json.dumps(seen, allow_nan=False)
    return " ".join(_split(seen))


def test_a_singular_fit_gives_no_part_of_its_own() -> None:
    """The plunger's leaving known to 3,146 ms, its landing to 0.2 ms."""
    row = stroke(3.3, 3146.0, 4.4, 0.2)
    first, second = split(row)
    assert first.names == ("electrical", "mechanical")
    assert (first.ms, first.u_ms) == (pytest.approx(4.4), 0.2)
    assert (second.names, second.u_ms) == (("hydraulic",), 0.2)
    shape = _row(row)
    assert shape["electrical_ms"] is shape["electrical_ms_u95"] is shape["mechanical_ms"] is None
    assert shape["together"]["parts"] == ["electrical", "mechanical"]
    assert "electrical and mechanical together 4.40 (0.40) ms, hydraulic 27.60 (0.40)" in told(
        [row]
    )


@pytest.mark.parametrize(
    ("row", "names"),
    [
        (stroke(2.5, 0.3, 4.5, 0.2), [("electrical",), ("mechanical",), ("hydraulic",)]),
        (stroke(2.5, 0.8, 4.5, 0.2), [("electrical", "mechanical"), ("hydraulic",)]),
        (stroke(2.5, 0.2, 4.5, 1.5), [("electrical",), ("mechanical", "hydraulic")]),
        (stroke(2.5, 2.0, 4.5, 2.0), [("electrical", "mechanical", "hydraulic")]),
        (stroke(2.5, NAN, 4.5, NAN), [("electrical", "mechanical", "hydraulic")]),
        (stroke(4.5, 0.1, 4.4, 0.1), [("electrical", "mechanical"), ("hydraulic",)]),
        (stroke(2.5, 0.3, 4.5, 0.2, NAN), []),
    ],
)
def test_which_parts_stand_alone(row: StrokeCurrent, names: list[tuple[str, ...]]) -> None:
    pieces = split(row)
    assert [piece.names for piece in pieces] == names
    if pieces:
        assert sum(piece.ms for piece in pieces) == pytest.approx(32.0)
    for piece in pieces:
        assert 2 * piece.u_ms <= piece.ms / 2


def test_one_singular_stroke_does_not_spoil_the_mean_of_a_run() -> None:
    rows = [stroke(2.5, 0.3, 4.5, 0.2)] * 9 + [stroke(600.0, 3146.0, 4.5, 0.2)]
    assert "electrical 2.50 (0.60) ms, mechanical 2.00 (0.72) ms" in told(rows)
    most = [stroke(2.5, 0.3, 4.5, 0.2)] * 3 + [stroke(3.3, 3146.0, 4.5, 0.2)] * 7
    assert "electrical and mechanical together 4.50 (0.40) ms" in told(most)


def test_what_is_given_covers_the_truth() -> None:
    """Instants drawn about known ones: every piece that is given covers its true part with about
    95 %, and none is less sure than half of itself, however unsure the instants are."""
    rng = np.random.default_rng(3)
    held = of = 0
    for _ in range(4000):
        u_leaves, u_seated = 10 ** rng.uniform(-1.5, 1.5, 2)
        leaves, seated = (
            2.5 + u_leaves * rng.standard_normal(),
            4.5 + u_seated * rng.standard_normal(),
        )
        truth = {"electrical": 2.5, "mechanical": 2.0, "hydraulic": 27.5}
        for piece in split(stroke(leaves, u_leaves, seated, u_seated)):
            assert 2 * piece.u_ms <= piece.ms / 2
            if piece.u_ms > 0:
                of += 1
                held += abs(piece.ms - sum(truth[name] for name in piece.names)) <= 2 * piece.u_ms
    assert of > 4000
    assert held / of > 0.935
