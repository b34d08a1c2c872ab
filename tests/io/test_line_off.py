# SPDX-License-Identifier: MIT
"""What the guard and `rig safe` do to a line: a stand-in here, the real kernel in tests/kernel."""

import threading
from pathlib import Path

import fake_gpiod
import gpiod
import pytest

from rig.core.errors import HardwareError
from rig.io import chips, gpio
from rig.io.gpio import LineTaker, find_chip, hold_line_off, read_level, take_line_off

LINE = 17


def test_driven_low_and_released(kernel: fake_gpiod.FakeKernel, path: str) -> None:
    kernel.line(path, LINE).level = 1
    assert take_line_off(path, LINE)
    assert kernel.open_requests == []


def test_held_line_stays_low_until_closed(kernel: fake_gpiod.FakeKernel, path: str) -> None:
    kernel.line(path, LINE).level = 1
    held = hold_line_off(path, LINE)
    assert held.low
    (request,) = kernel.open_requests
    assert request.config[LINE].direction is gpiod.line.Direction.OUTPUT
    assert request.config[LINE].output_value is gpiod.line.Value.INACTIVE
    held.close()
    held.close()
    assert kernel.open_requests == []


def test_a_taker_made_ready_takes_at_once_and_holds_after_its_chip_is_closed(
    kernel: fake_gpiod.FakeKernel, path: str
) -> None:
    taker = LineTaker(path, LINE)
    assert kernel.open_requests == [], "making ready may not touch the line"
    held = taker.take()
    taker.close()
    assert held.low
    held.close()


def test_a_line_that_does_not_go_low_is_told(kernel: fake_gpiod.FakeKernel, path: str) -> None:
    held = hold_line_off(path, LINE)
    kernel.line(path, LINE).driven = 1  # something stronger holds it up
    assert not held.low
    kernel.gone = True
    assert not held.low
    held.close()


def test_waits_for_a_dying_owner(kernel: fake_gpiod.FakeKernel, path: str) -> None:
    kernel.line(path, LINE).consumer = "lg"

    def let_go() -> None:
        kernel.line(path, LINE).consumer = ""

    timer = threading.Timer(0.02, let_go)
    timer.start()
    try:
        assert take_line_off(path, LINE)
    finally:
        timer.join()


def test_an_owner_that_stays_is_named(kernel: fake_gpiod.FakeKernel, path: str) -> None:
    kernel.line(path, LINE).consumer = "another program"
    with pytest.raises(HardwareError, match='line 17 by "another program"'):
        hold_line_off(path, LINE, within_s=0.02)


def test_a_chip_that_is_gone_is_told_at_once(
    kernel: fake_gpiod.FakeKernel, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gpio.time, "sleep", lambda _: pytest.fail("tried again"))
    with pytest.raises(HardwareError, match="the chip is gone"):
        take_line_off("/dev/gpiochip99", LINE)


def test_level_of_an_input_for_one_look(kernel: fake_gpiod.FakeKernel, path: str) -> None:
    kernel.line(path, 27).level = 1
    assert read_level(path, 27, "external") == 1
    kernel.line(path, 27).level = 0
    assert read_level(path, 27, "external") == 0
    assert kernel.open_requests == []


def test_chip_path_by_label(
    kernel: fake_gpiod.FakeKernel, path: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(chips, "_nodes", lambda _dev: [Path(path)])
    assert find_chip("pinctrl-rp1") == path
