# SPDX-License-Identifier: MIT
"""An owner of this boot that is dead and never released its line is a trip."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from rig.core import state_file
from rig.core.clock import boot_id
from rig.core.records import RELEASE_NOT_SEEN, Trip
from rig.core.state_file import Owner, RigState

DEAD = Owner(2**22 + 1, 5, boot_id())
STATE = RigState("a-line17", "board", "a", 17, owner=DEAD)
FIRST = Trip("duty", 70.0, 60.0, "%", 1, "Let it cool.")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "a-line17.json"


def test_it_is_latched_once_and_named(path: Path) -> None:
    state_file.write(path, STATE)
    found = state_file.latch_dead_owner(path)
    assert found == state_file.read(path)
    assert found is not None and found.trip is not None and found.owner == DEAD
    assert found.trip.rule == RELEASE_NOT_SEEN == "bench lost, release not seen"
    assert f"process {DEAD.pid}" in found.trip.message and "rig safe" in found.trip.message
    assert state_file.latch_dead_owner(path) == found


def test_the_first_trip_is_kept_and_clearing_it_ends_the_dead_owner_too(path: Path) -> None:
    state_file.write(path, replace(STATE, trip=FIRST, tripped_utc_s=1.0))
    found = state_file.latch_dead_owner(path)
    assert found is not None and found.trip == FIRST
    state_file.clear_latch(path)
    state = state_file.read(path)
    assert state is not None and state.trip is None and state.owner is None


@pytest.mark.parametrize("owner", [None, replace(DEAD, boot_id="another"), "this"])
def test_no_other_owner_is_latched(path: Path, owner: Owner | str | None) -> None:
    """A restart took every output off; an owner that lives is asked, not latched."""
    given = state_file.this_process() if isinstance(owner, str) else owner
    state_file.write(path, replace(STATE, owner=given))
    found = state_file.latch_dead_owner(path)
    assert found is not None and found.trip is None


def test_a_living_owner_outlasts_a_clear(path: Path) -> None:
    state_file.write(path, replace(STATE, owner=state_file.this_process()))
    state_file.clear_latch(path)
    state = state_file.read(path)
    assert state is not None and state.owner == state_file.this_process()


def test_where_there_is_no_file_none_is_made(path: Path) -> None:
    assert state_file.latch_dead_owner(path) is None
    assert not list(path.parent.iterdir())


def test_a_start_that_claimed_nothing_takes_its_new_file_away(path: Path) -> None:
    me = state_file.this_process()
    assert state_file.claim(path, replace(STATE, owner=me)) is True
    state_file.give_up(path, me, new=True)
    assert not list(path.parent.iterdir())


def test_an_older_file_and_a_latched_one_are_kept(path: Path) -> None:
    me = state_file.this_process()
    state_file.write(path, replace(STATE, owner=None))
    assert state_file.claim(path, replace(STATE, owner=me)) is False
    state_file.give_up(path, me, new=False)
    state = state_file.read(path)
    assert state is not None and state.owner is None
    state_file.claim(path, replace(STATE, owner=me))
    state_file.write_latch(path, FIRST, 1.0)
    state_file.give_up(path, me, new=True)
    assert path.exists(), "what somebody latched meanwhile stands"
