# SPDX-License-Identifier: MIT
"""The rig's hardware access on a real device node: chip by label, relay line, timed inputs,
takeover."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager

import edge_conformance
import pytest
from board import LABEL, READBACK, RELAY, SWITCH, Board, board_up, level, set_pull
from build import MachineParts
from machine import Guest, Job

pytestmark = pytest.mark.kernel


@pytest.fixture(scope="module")
def guest(machine_parts: MachineParts) -> Iterator[Guest]:
    with Guest(machine_parts, processors=1) as guest:  # the kernel merges no edges, however busy
        yield guest


@pytest.fixture(scope="module")
def board(guest: Guest) -> Board:
    return board_up(guest)


@contextmanager
def holding(guest: Guest, word: str, errand: str, where: str, *lines: int) -> Iterator[Job]:
    """A process of the guest that holds lines until it is killed."""
    errands = [errand, where, *(str(line) for line in lines)]
    job = guest.start("exec " + guest.python_command("guest_relay.py", *errands))
    try:
        job.wait_for(word, 120)
        yield job
    finally:
        job.signal("KILL")
        job.wait(20)


def test_edge_source_conforms(guest: Guest, board: Board) -> None:
    lines = [f"switch={SWITCH}", f"readback={READBACK}"]
    done = guest.python("guest_conformance.py", board.device, board.lines, *lines)
    assert done.status == 0, done
    found = dict(json.loads(done.stdout))
    assert list(found) == [check.__name__ for check in edge_conformance.CHECKS]
    assert {name: failed for name, failed in found.items() if failed} == {}


def test_relay_line_follows_its_commands_and_ends_low(guest: Guest, board: Board) -> None:
    done = guest.python("guest_relay.py", "cycle", LABEL, str(RELAY), board.value(RELAY))
    assert done.status == 0, done
    seen = json.loads(done.stdout)
    levels = {name: int(text) for name, text in seen.items() if isinstance(text, str)}
    assert levels == {"before": 0, "claimed": 0, "on": 1, "off": 0, "closed from on": 0}
    assert seen["commanded on"] and seen["commanded off"]
    assert seen["description"]["chip"] == board.device
    assert seen["description"]["chip label"] == LABEL
    assert seen["description"]["factory"] == "LGPIOFactory"


def test_the_chip_is_found_by_label_and_not_by_number(guest: Guest, board: Board) -> None:
    assert board.device != "/dev/gpiochip0"
    done = guest.python("guest_relay.py", "claim", "pinctrl-rp1", str(RELAY))
    assert done.status == 4, done
    assert f'{board.device} "{LABEL}"' in done.stderr
    assert '/dev/gpiochip0 "another-chip"' in done.stderr


def test_busy_lines_are_refused_and_their_owner_named(guest: Guest, board: Board) -> None:
    with holding(guest, "held", "squat", board.device, RELAY, SWITCH):
        refused = {
            "relay": guest.python("guest_relay.py", "claim", LABEL, str(RELAY)),
            "timed": guest.python("guest_relay.py", "edges", board.device, str(SWITCH)),
        }
    for what, done in refused.items():
        assert done.status == 4, (what, str(done))
        assert "another program" in done.stderr, (what, str(done))


def test_the_line_of_a_killed_owner_is_taken_and_driven_off(guest: Guest, board: Board) -> None:
    """The simulator lets a freed line fall to its pull; a pull up stands for a board that keeps
    driving an output whose owner died."""
    with holding(guest, "on", "hold", LABEL, RELAY) as owner:
        second = guest.python("guest_relay.py", "claim", LABEL, str(RELAY))
        assert (second.status, level(guest, board, RELAY)) == (4, 1), second
        set_pull(guest, board, RELAY, True)
        owner.signal("KILL")
    assert level(guest, board, RELAY) == 1, "still energised: nobody has taken the line yet"
    done = guest.python("guest_relay.py", "off", board.device, str(RELAY), board.value(RELAY))
    set_pull(guest, board, RELAY, False)
    assert done.status == 0, done
    assert json.loads(done.stdout) == {"held low": True, "far side": "0", "taken low": True}
