# SPDX-License-Identifier: MIT
"""Engine speed from pulses on the kernel's GPIO simulator, compared with the far side's times.

The guest toggles the line and reads it through the rig's own edge source (guest_edges.py); the
bench's code computes the speed here from the edges as the kernel stamped them.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable, Iterator

import numpy as np
import pytest
from board import SWITCH, Board, board_up
from build import MachineParts
from edge_loss import account
from machine import Guest

from rig.bench.engine_speed import EngineSpeed
from rig.config.analog.model import EngineSpeedSetup
from rig.core.records import ENGINE_SPEED, GOOD, Edge

pytestmark = pytest.mark.kernel

PER_REVOLUTION = 1
NS = 1_000_000_000
ATTEMPTS = 4
NOMINAL_WITHIN = 0.02
"""What the emulated machine wrote may be so far from the speed that the test names."""


@pytest.fixture(scope="module")
def guest(machine_parts: MachineParts) -> Iterator[Guest]:
    with Guest(machine_parts) as guest:
        yield guest


@pytest.fixture(scope="module")
def board(guest: Guest) -> Board:
    return board_up(guest)


def mean_rpm(rises_ns: list[int]) -> float:
    """Speed from the first rise to the last."""
    turns = (len(rises_ns) - 1) / PER_REVOLUTION
    return 60.0 * NS * turns / (rises_ns[-1] - rises_ns[0])


@pytest.mark.parametrize("rpm", [750, 3000])
def test_the_speed_is_that_of_the_pulses_written(
    guest: Guest, board: Board, measured: Callable[[str, object], None], rpm: int
) -> None:
    pulses_hz = PER_REVOLUTION * rpm / 60
    count = int(4 * pulses_hz) * 2  # four seconds, two edges a pulse
    numbers = [str(n) for n in (count, 2 * pulses_hz, 1, 1)]
    where = (board.device, str(SWITCH), board.pull(SWITCH))
    for _ in range(ATTEMPTS):  # a stalled host loses edges, or writes at another speed: once more
        done = guest.python("guest_edges.py", *where, *numbers, timeout_s=120)
        assert done.status == 0, done
        (one,) = json.loads(done.stdout)
        loss = account(one["written"], one["edges"])
        assert loss.hidden == 0, loss
        written_rpm = mean_rpm([before for level, before, _ in one["written"] if level == 1])
        near = abs(written_rpm / rpm - 1) <= NOMINAL_WITHIN
        if near and not loss.lost:
            break
    assert not loss.lost, loss
    assert near, f"{written_rpm:.0f} rpm were written for {rpm}"

    setup = {"line": SWITCH, "pulses_per_revolution": PER_REVOLUTION, "highest": "60000 rpm"}
    speed = EngineSpeed(EngineSpeedSetup.model_validate(setup))
    found, edges = [], list(one["edges"])
    first_ns, last_ns = edges[0][1], edges[-1][1]
    for now_ns in range(first_ns - 1, last_ns + 1, 20_000_000):
        while edges and edges[0][1] <= now_ns:
            level, t_ns, sequence = edges.pop(0)
            speed.see(Edge(ENGINE_SPEED, level, t_ns, sequence, "kernel"))
        reading = speed.reading(now_ns)
        if reading is not None and reading.value:
            assert reading.quality == GOOD
            found.append(reading)
    assert len(found) >= 10

    # what was written, reading by reading: a rise lies between `before` and `after`
    rises = np.array([(before, after) for level, before, after in one["written"] if level == 1])
    at = np.array([t for level, t, _ in one["edges"] if level == 1])
    for earlier, reading in itertools.pairwise(found):
        last, first = np.searchsorted(at, [reading.t_ns, earlier.t_ns])
        turns = (last - first) // PER_REVOLUTION * PER_REVOLUTION
        first = last - turns
        # stamped when the interrupt is taken: late against the write by the kernel's own delay
        slack_ns = 2 * (at - rises[:, 0]).max()
        span_ns = rises[last, 0] - rises[first, 0]
        true_rpm = 60.0 * NS * turns / PER_REVOLUTION / span_ns
        assert reading.value == pytest.approx(true_rpm, rel=slack_ns / span_ns + 1e-9)
    values = [reading.value for reading in found]
    assert np.mean(values) == pytest.approx(rpm, rel=NOMINAL_WITHIN)
    spread = float(np.std(values) / np.mean(values))
    measured(
        f"engine speed of {rpm} rpm in pulses",
        f"{np.mean(values):.1f} rpm, {100 * spread:.2f} % from reading to reading",
    )
