# SPDX-License-Identifier: MIT
"""Edges against the kernel: none is lost undetected.

One processor: the far side cannot write again before the kernel's interrupt thread has handled the
previous edge, so edges lost here are lost in the buffer. With two, a busy host can hold that thread
back, and the kernel then merges edges (see the last test) - on any machine, and beyond the rig's
control.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator

import pytest
from board import SWITCH, Board, board_up
from build import MachineParts
from edge_loss import Loss, account
from machine import Guest

pytestmark = pytest.mark.kernel

TIMES = 10


@pytest.fixture(scope="module")
def guest(machine_parts: MachineParts) -> Iterator[Guest]:
    with Guest(machine_parts, processors=1) as guest:
        yield guest


@pytest.fixture(scope="module")
def board(guest: Guest) -> Board:
    return board_up(guest)


def toggled(
    guest: Guest, board: Board, count: int, rate_hz: float, *,
    burst: int = 1, times: int = 1, stalled: bool = False,
) -> list[dict]:  # fmt: skip
    numbers = [str(n) for n in (count, rate_hz, burst, times)]
    where = (board.device, str(SWITCH), board.pull(SWITCH))
    done = guest.python(
        "guest_edges.py", *where, *numbers, *(["stalled"] if stalled else []), timeout_s=300
    )
    assert done.status == 0, done
    return json.loads(done.stdout)


@pytest.mark.parametrize(("rate_hz", "count"), [(100, 100), (1000, 1000)])
def test_every_lost_edge_shows(
    guest: Guest, board: Board, measured: Callable[[str, object], None], rate_hz: int, count: int
) -> None:
    found = []
    for one in toggled(guest, board, count, rate_hz, times=TIMES):
        loss = account(one["written"], one["edges"])
        found.append(loss)
        assert loss.hidden == 0, loss
        assert loss.misplaced == 0, loss
        assert loss.lost == loss.gap + loss.broken == loss.written - loss.delivered, loss
        assert one["level"] == one["written"][-1][0]
    assert len(found) == TIMES
    lost, written, hidden = (
        sum(getattr(loss, name) for loss in found) for name in ("lost", "written", "hidden")
    )
    measured(f"edges lost at {rate_hz} Hz", f"{lost} of {written}, {hidden} of them unseen")


def test_a_stall_longer_than_the_buffer_shows_as_a_gap_of_exactly_what_was_lost(
    guest: Guest, board: Board
) -> None:
    count = 1500  # the buffer holds 1,024; the kernel drops the oldest
    (one,) = toggled(guest, board, count, 0, stalled=True)
    loss = account(one["written"], one["edges"])
    assert loss == Loss(count, 1024, count - 1024, count - 1024, 0, 0, 0)


def test_two_edges_that_the_kernel_merges_show_as_broken_alternation(
    guest: Guest, board: Board
) -> None:
    (one,) = toggled(guest, board, 60, 100, burst=2)
    assert account(one["written"], one["edges"]) == Loss(60, 30, 30, 0, 30, 0, 0)
    assert {edge[0] for edge in one["edges"]} == {0}


def test_three_edges_that_the_kernel_merges_look_like_one(guest: Guest, board: Board) -> None:
    """The limit of what can be known: a bounce count is a lower bound. The kernel stamps the last
    edge of those it merges."""
    (one,) = toggled(guest, board, 60, 100, burst=3)
    assert account(one["written"], one["edges"]) == Loss(60, 20, 40, 0, 0, 40, 0)


def test_the_account_itself_can_fail() -> None:
    written = [(1, 10, 11), (0, 20, 21), (1, 30, 31), (0, 40, 41)]
    every = [(1, 10, 1), (0, 20, 2), (1, 30, 3), (0, 41, 4)]
    assert account(written, every) == Loss(4, 4, 0, 0, 0, 0, 0)
    assert account(written, [every[0], every[3]]) == Loss(4, 2, 2, 2, 0, 0, 0)
    assert account(written, [every[0], (0, 40, 2)]) == Loss(4, 2, 2, 0, 0, 2, 0)
    assert account(written, [every[0], every[1], (0, 40, 3)]) == Loss(4, 3, 1, 0, 1, 0, 0)
    assert account(written, every[:3]) == Loss(4, 3, 1, 0, 0, 1, 0)
    assert account(written, [*every[:3], (0, 35, 4)]) == Loss(4, 4, 1, 0, 0, 1, 1)
