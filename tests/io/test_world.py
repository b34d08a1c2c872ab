# SPDX-License-Identifier: MIT
import os
import time

import pytest

from rig.io.real_time import RealWorld


def test_waits_until_the_instant_and_not_before() -> None:
    world = RealWorld()
    for wait_ns in (0, 100_000, 700_000, 3_000_000):
        until_ns = world.now_ns() + wait_ns
        world.wait(until_ns, [])
        assert world.now_ns() >= until_ns


def test_clock_is_the_one_that_stamps_edges() -> None:
    before = time.clock_gettime_ns(time.CLOCK_MONOTONIC)
    assert before <= RealWorld().now_ns() <= time.clock_gettime_ns(time.CLOCK_MONOTONIC)


@pytest.mark.timeout(10)
def test_an_instant_gone_by_does_not_wait() -> None:
    world = RealWorld()
    world.wait(world.now_ns() - 3_600_000_000_000, [])


def test_a_readable_descriptor_ends_the_wait() -> None:
    read, write = os.pipe()
    try:
        os.write(write, b"x")
        world = RealWorld()
        until_ns = world.now_ns() + 60_000_000_000
        world.wait(until_ns, [read])
        assert world.now_ns() < until_ns
    finally:
        os.close(read)
        os.close(write)


def test_keeps_the_last_guidance() -> None:
    world = RealWorld()
    assert world.instruction == "hold"
    world.guide("raise")
    assert world.instruction == "raise"
