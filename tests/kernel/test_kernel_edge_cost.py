# SPDX-License-Identifier: MIT
"""Cost of an edge between the kernel and the bench, compared with a bare gpiod loop in one boot."""

from __future__ import annotations

import json
from statistics import median

import pytest
from board import SWITCH, board_up
from build import MachineParts
from machine import Guest

pytestmark = pytest.mark.kernel


def test_an_edge_costs_little_more_than_bare_and_its_stamp_is_untouched(
    machine_parts: MachineParts,
) -> None:
    with Guest(machine_parts, processors=1) as guest:
        board = board_up(guest)
        where = (board.device, str(SWITCH), board.pull(SWITCH))
        done = guest.python("guest_edge_cost.py", *where, "400", "5", timeout_s=110)
    assert done.status == 0, done
    found = json.loads(done.stdout)
    ratio = median(found["ours_ns"]) / median(found["bare_ns"])
    print(f"cost of an edge: {ratio:.2f} times a bare gpiod loop (at most 3); "
          f"stamps differ by {found['stamp_off_ns']} ns from the kernel's")  # fmt: skip
    assert min(found["edges"]) > 350
    assert found["stamp_off_ns"] == 0
    assert ratio <= 3
