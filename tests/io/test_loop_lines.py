# SPDX-License-Identifier: MIT
"""Loops on mock pins: what reads closed, and what a broken wire reads as, for each pull."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from gpiozero.pins.mock import MockFactory

from rig.io.slow_lines import LoopLine


@pytest.fixture
def factory() -> Iterator[MockFactory]:
    made = MockFactory()
    yield made
    made.close()


@pytest.mark.parametrize(
    ("pull", "of_pin", "closed"),
    [("external", "floating", 0), ("up", "up", 0), ("down", "down", 1)],
)
def test_a_loop_reads_closed_at_its_level(
    factory: MockFactory, pull: str, of_pin: str, closed: int
) -> None:
    line = LoopLine(5, pull, factory, "stop_input")
    pin = factory.pin(5)
    assert pin.pull == of_pin
    for level in (0, 1):
        pin.drive_high() if level else pin.drive_low()
        assert line.closed is (level == closed)
    line.close()
    assert line.closed is False
