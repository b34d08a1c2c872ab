# SPDX-License-Identifier: MIT
"""What a stop says where no bench runs: a coil that nobody can vouch for is not called safe."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.core import state_file
from rig.core.clock import boot_id
from rig.core.records import Trip
from rig.core.state_file import Owner, RigState
from webui.live.stopping import NOT_CONFIRMED, NOTHING, stop

GONE = Owner(2**22 + 1, 1, boot_id())
NOT_OFF = Trip("bench lost", None, None, "", 1, "COIL NOT CONFIRMED OFF: its line is taken")
WELDED = Trip("read-back disagreeing", 0.2, 0.1, "s", 1, "the load side is live, commanded off")
OVER = Trip("over-pressure", 900.0, 800.0, "kPa", 1, "900 kPa is above 800 kPa")


def left(folder: Path, backend: str, owner: Owner | None, trip: Trip | None) -> None:
    path = state_file.state_path(folder, "a-line17")
    state_file.write(path, RigState("a-line17", backend, "a", 17, owner=owner, trip=trip))


@pytest.mark.parametrize(
    ("backend", "owner", "trip", "said"),
    [
        ("board", None, None, NOTHING),
        ("board", GONE, None, NOT_CONFIRMED),
        ("board", None, NOT_OFF, NOT_CONFIRMED),
        ("board", GONE, NOT_OFF, NOT_CONFIRMED),
        ("board", None, OVER, NOTHING),
        ("board", None, WELDED, NOT_CONFIRMED),
        ("board", Owner(1, 1, "an earlier boot"), None, NOTHING),
        ("simulated", GONE, None, NOTHING),
    ],
)
def test_what_is_left_behind(
    tmp_path: Path, backend: str, owner: Owner | None, trip: Trip | None, said: str
) -> None:
    left(tmp_path, backend, owner, trip)
    done = stop(tmp_path, "a test")
    assert done.off == said and done.sure is (said == NOTHING)
    assert said == NOTHING or "mushroom stop" in done.words


def test_a_damaged_state_is_no_safe_one(tmp_path: Path) -> None:
    state_file.state_path(tmp_path, "a-line17").write_text("{")
    assert stop(tmp_path, "a test").off == NOT_CONFIRMED
    assert stop(tmp_path / "none", "a test").off == NOTHING
