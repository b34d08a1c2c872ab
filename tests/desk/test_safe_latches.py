# SPDX-License-Identifier: MIT
"""`rig safe` that had to act leaves a latch, and knows when nothing was ever started."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from rig.cli import safe as cli_safe
from rig.core import coil_heat, places, state_file
from rig.core.clock import boot_id
from rig.core.errors import HardwareError
from rig.core.records import NOT_CONFIRMED_OFF, RELEASE_NOT_SEEN
from rig.core.state_file import Owner, RigState
from rig.desk import safe

DEAD = Owner(2**22 + 1, 5, boot_id())
BOARD = RigState("no-such-chip-line17", "board", "no-such-chip", 17, owner=DEAD)


def write(state: RigState) -> Path:
    path = state_file.state_path(places.state_dir(), state.rig)
    state_file.write(path, state)
    return path


def read(path: Path) -> RigState:
    state = state_file.read(path)
    assert state is not None
    return state


def test_a_line_of_a_dead_bench_that_cannot_be_taken_is_latched_as_not_confirmed() -> None:
    path = write(BOARD)
    coil_heat.mark_open(path)
    with pytest.raises(HardwareError):
        safe.make_safe(path)
    state = read(path)
    assert state.trip is not None and state.trip.rule == RELEASE_NOT_SEEN
    assert NOT_CONFIRMED_OFF in state.trip.message and state.owner == DEAD
    kept = coil_heat.read(coil_heat.heat_path(path))
    assert kept is not None and kept.open, "the coil may be heating still"


def test_a_dead_bench_is_latched_its_owner_ended_and_the_coil_cools_from_here() -> None:
    path = write(replace(BOARD, backend="simulated"))
    coil_heat.mark_open(path)
    made = safe.make_safe(path)
    assert made is not None and RELEASE_NOT_SEEN in made.words
    state = read(path)
    assert state.owner is None and state.trip is not None
    assert "took its line. Coil: " in state.trip.message
    kept = coil_heat.read(coil_heat.heat_path(path))
    assert kept is not None and not kept.open and kept.unknown == coil_heat.UNCLEAN


@pytest.mark.parametrize("owner", [None, replace(DEAD, boot_id="another")])
def test_a_line_nobody_of_this_boot_held_is_no_trip(owner: Owner | None) -> None:
    path = write(replace(BOARD, backend="simulated", owner=owner))
    assert safe.make_safe(path) is not None
    assert read(path).trip is None


def test_a_bench_of_somebody_else_is_not_overlooked(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    words = [sys.executable, "-m", "rig.compose", "0", "0"]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stderr=subprocess.DEVNULL) as bench:
        try:
            assert bench.pid not in safe.unknown_benches(), "it holds no GPIO chip"
            may_hold = safe._may_hold
            only = str(bench.pid)
            monkeypatch.setattr(safe, "_may_hold", lambda path: path.name == only or may_hold(path))
            assert bench.pid in safe.unknown_benches()
            assert cli_safe._nothing_known(places.data_dir()) == 6
            assert NOT_CONFIRMED_OFF in capsys.readouterr().err
        finally:
            os.kill(bench.pid, signal.SIGKILL)
    monkeypatch.setattr(safe, "unknown_benches", list)
    assert cli_safe._nothing_known(places.data_dir()) == 0
    assert "nothing to release" in capsys.readouterr().out
