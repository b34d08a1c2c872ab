# SPDX-License-Identifier: MIT
"""Names in the state folder that lead elsewhere: refused in words, never waited for, and never
taken for a file that was not written."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from rig.core import coil_heat, state_file
from rig.core.atomic_file import whole_file
from rig.core.errors import RefusedError, StorageError
from rig.core.state_file import RigState

STATE = RigState("simulated-line17", "simulated", "chip", 17)
IN_PLACE: dict[str, Callable[[Path], None]] = {
    "a pipe": os.mkfifo,
    "a device without end": lambda path: path.symlink_to("/dev/zero"),
    "a full device": lambda path: path.symlink_to("/dev/full"),
    "a link to a medium that is gone": lambda path: path.symlink_to("/no/such/medium/x.json"),
    "a folder": Path.mkdir,
}
pytestmark = pytest.mark.timeout(30)  # without the check it waits for ever


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "simulated-line17.json"


@pytest.mark.parametrize("what", IN_PLACE)
def test_what_is_no_state_file_is_refused(path: Path, what: str) -> None:
    IN_PLACE[what](path)
    with pytest.raises(RefusedError, match="not known whether a trip is latched"):
        state_file.read(path)
    with pytest.raises(RefusedError):
        state_file.latch_dead_owner(path)
    assert state_file.state_files(path.parent) == [path]


@pytest.mark.parametrize("what", IN_PLACE)
def test_what_is_no_heat_file_is_a_damaged_one(path: Path, what: str) -> None:
    IN_PLACE[what](coil_heat.heat_path(path))
    assert coil_heat.past(path).unknown == coil_heat.DAMAGED


@pytest.mark.parametrize("what", [w for w in IN_PLACE if w != "a pipe"])
def test_what_is_no_lock_is_said_in_words_and_free_for_nobody(path: Path, what: str) -> None:
    state_file.write(path, STATE)
    IN_PLACE[what](path.with_suffix(".change"))
    IN_PLACE[what](path.with_suffix(".lock"))
    with pytest.raises(StorageError, match="cannot be changed"):
        state_file.clear_latch(path)
    with pytest.raises(StorageError, match="rig's lock"):
        state_file.RigLock(path)
    assert state_file.held(path) or what == "a folder"


def test_a_pipe_in_place_of_a_lock_holds_nobody_up(path: Path) -> None:
    state_file.write(path, STATE)
    for suffix in (".change", ".lock"):
        os.mkfifo(path.with_suffix(suffix))
    state_file.clear_latch(path)
    state_file.RigLock(path).close()
    assert not state_file.held(path)


def test_a_program_that_stands_still_with_the_lock_is_not_waited_for(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(state_file, "LOCK_S", 0.1)
    state_file.write(path, STATE)
    with path.with_suffix(".change").open("a") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        with pytest.raises(StorageError, match="another program has held"):
            state_file.clear_latch(path)
    state_file.clear_latch(path)


def test_a_write_that_fails_leaves_nothing_behind(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(fd: int) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "fsync", fails)
    with pytest.raises(StorageError):
        state_file.write(path, STATE)
    assert not list(path.parent.iterdir())


@pytest.mark.parametrize("lasting", [True, False])
def test_a_file_is_there_whole_or_as_it_was_and_on_the_disk_where_it_has_to_last(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lasting: bool
) -> None:
    synced: list[str] = []
    path = tmp_path / "kept"
    monkeypatch.setattr(os, "fsync", lambda fd: synced.append(os.readlink(f"/proc/self/fd/{fd}")))
    with whole_file(path, lasting=lasting) as file:
        file.write("first")
        assert not path.exists()
    assert path.read_text() == "first"
    assert [Path(one).parent == tmp_path for one in synced] == [True, False] * lasting
    assert synced[1:] == [str(tmp_path)] * lasting, "first what it holds, then its name"
    with pytest.raises(ZeroDivisionError), whole_file(path, lasting=lasting) as file:
        file.write("second")
        raise ZeroDivisionError
    assert path.read_text() == "first" and list(tmp_path.iterdir()) == [path]
