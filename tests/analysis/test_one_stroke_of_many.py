# SPDX-License-Identifier: MIT
"""What is true of one stroke counts for that stroke: bounce of the relay, a rest before it."""

from __future__ import annotations

import numpy as np
import pytest
from stroke_trains import Train, setup, sheet

from rig.analysis.analyse import analyse
from rig.analysis.verdict.evaluate import Measured
from rig.analysis.verdict.limits import Limit, figure_limit
from rig.config.sheet.model import Accept

LIMIT = [{"figure": "response", "max": "60 ms"}]


def run(responses: list[float], bouncing: int | None, bounce_ms: float = 14.0) -> Limit:
    """Strokes of these response times; the load side of stroke `bouncing` opens and closes once,
    `bounce_ms` after its first touch."""
    train = Train()
    for number, response in enumerate(responses, 1):
        at = number * 1000
        train.command(True, at, number)
        train.edge("readback", True, at + 8)
        if number == bouncing:
            train.edge("readback", False, at + 8 + bounce_ms - 0.5)
            train.edge("readback", True, at + 8 + bounce_ms)
        train.edge("switch", True, at + 8 + response)
        train.command(False, at + 500, number)
        train.edge("readback", False, at + 504)
        train.edge("switch", False, at + 534)
    train.end((len(responses) + 1) * 1000 + 2000)
    page = sheet(strokes=len(responses), rest="500 ms", accept=LIMIT)
    return analyse(train.build(), setup(readback=True), page).verdict.limits[0]


@pytest.mark.parametrize("bouncing", [1, 4])
def test_the_bounce_of_one_stroke_is_not_taken_off_the_others(bouncing: int) -> None:
    """Stroke 6 did not bounce and lies at its limit, within the guard band: open with and without
    the bounce of another stroke."""
    near = [50.0] * 5 + [60.02, 50.0, 50.0]
    assert run(near, None).result == "undecided"
    assert run(near, bouncing).result == "undecided"
    over = [50.0] * 5 + [60.7, 50.0, 50.0]
    assert run(over, None).result == "does_not_conform"
    assert run(over, bouncing).result == "does_not_conform"


def test_a_stroke_s_own_bounce_leaves_its_lower_side_open() -> None:
    """Beyond the limit by less than its bounce: it may have been in time."""
    over = [50.0] * 5 + [60.7, 50.0, 50.0]
    assert run(over, 6).result == "undecided"
    assert run([50.0] * 5 + [80.0, 50.0, 50.0], 6).result == "does_not_conform"


def test_a_stroke_after_rest_without_a_number_is_missed_by_its_own_limit() -> None:
    """Two strokes after a rest, one of which gave no number; all steady ones did."""
    rest = np.array([True, True, False, False, False])
    value = np.array([50.0, np.nan, 50.0, 50.0, 50.0])
    measured = Measured.of(
        value, np.arange(1, 6), np.zeros(5, bool), expected=np.ones(5, bool), after_rest=rest
    )
    assert (measured.only("rest").without, measured.only("steady").without) == (1, 0)
    of_rest = Accept.model_validate(
        {"figure": "response", "of": "each", "strokes": "rest", "max": "60 ms"}
    )
    assert figure_limit(of_rest, measured).result == "undecided"
