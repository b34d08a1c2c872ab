# SPDX-License-Identifier: MIT
from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from rig.core import state_file
from rig.core.clock import boot_id
from rig.core.errors import InternalFault, RefusedError, StorageError
from rig.core.records import READBACK_RULE, Trip, readback_doubted
from rig.core.spare import Spare
from rig.core.state_file import Owner, RigState

TRIP = Trip("over-pressure", 750.0, 700.0, "kPa", 5, "too much")
STATE = RigState("simulated-line17", "simulated", "pinctrl-rp1", 17, {"a": 1})


def test_state_comes_back_as_written(tmp_path: Path) -> None:
    path = state_file.state_path(tmp_path, STATE.rig)
    full = replace(STATE, owner=state_file.this_process("/s"), trip=TRIP, tripped_utc_s=2.5)
    state_file.write(path, full)
    assert state_file.read(path) == full
    assert not list(tmp_path.glob("*.part"))


def test_no_file_is_no_state(tmp_path: Path) -> None:
    assert state_file.read(tmp_path / "none.json") is None


@pytest.mark.parametrize(
    "content",
    [b"", b"{", b"[]", b"{}", b'{"version":9,"owner":null,"trip":null}', b"\xff\xfe", bytes(4096)],
)
def test_a_damaged_file_is_refused_not_guessed(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "simulated-line17.json"
    path.write_bytes(content)
    with pytest.raises(RefusedError, match="damaged"):
        state_file.read(path)


@pytest.mark.parametrize(
    "altered",
    [
        {"backend": "bimulated"},
        {"backend": "board"},
        {"line": 18},
        {"rig": "simulated-line18", "line": 18},  # the whole file of another rig
    ],
)
def test_a_file_that_names_another_line_is_damaged(
    tmp_path: Path, altered: dict[str, object]
) -> None:
    """`rig safe` would drive that line off and call this one off."""
    path = state_file.state_path(tmp_path, STATE.rig)
    state_file.write(path, replace(STATE, **altered))
    with pytest.raises(RefusedError, match="it names the rig"):
        state_file.read(path)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("t_ns", "5"), ("unit", 5), ("value", "750"), ("limit", [1]), ("value", float("nan")),
        ("tripped_utc_s", "now"), ("tripped_utc_s", 1e300), ("tripped_utc_s", float("nan")),
    ],
)  # fmt: skip
def test_a_trip_with_a_field_that_cannot_be_is_damaged(
    tmp_path: Path, field: str, value: object
) -> None:
    """`rig clear` and the page show all of it: they must not fail over it."""
    path = state_file.state_path(tmp_path, STATE.rig)
    state_file.write(path, replace(STATE, trip=TRIP, tripped_utc_s=2.5))
    data = json.loads(path.read_text())
    (data if field in data else data["trip"])[field] = value
    path.write_text(json.dumps(data))
    with pytest.raises(RefusedError, match="damaged"):
        state_file.read(path)


def test_the_latch_survives_a_new_owner_and_the_first_trip_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "simulated-line17.json"
    state_file.claim(path, STATE)
    state_file.write_latch(path, TRIP, 1.0)
    state_file.write_latch(path, TRIP._replace(rule="duty"), 2.0)
    owner = state_file.this_process()
    state_file.claim(path, replace(STATE, owner=owner))
    state = state_file.read(path)
    assert state is not None and state.trip == TRIP and state.tripped_utc_s == 1.0
    state_file.release(path, replace(owner, pid=1))
    assert state_file.read(path).owner == owner
    state_file.release(path, owner)
    assert state_file.read(path).owner is None
    assert state_file.read(path).trip == TRIP
    state_file.clear_latch(path)
    assert state_file.read(path).trip is None


def test_a_later_trip_that_doubts_the_readback_is_remembered_until_cleared(tmp_path: Path) -> None:
    """The first trip stays; that the read-back was found wrong afterwards is kept beside it."""
    path = state_file.state_path(tmp_path, STATE.rig)
    state_file.write(path, STATE)
    state_file.write_latch(path, TRIP, 1.0)
    state = state_file.read(path)
    assert state is not None and not state.readback_doubted
    wrong = TRIP._replace(rule=READBACK_RULE)
    assert readback_doubted(wrong)
    state_file.write_latch(path, wrong, 2.0)
    state_file.claim(path, STATE)
    state = state_file.read(path)
    assert state is not None and (state.trip, state.readback_doubted) == (TRIP, True)
    state_file.clear_latch(path)
    state = state_file.read(path)
    assert state is not None and (state.trip, state.readback_doubted) == (None, False)


def test_a_latch_without_a_rig_is_a_fault(tmp_path: Path) -> None:
    with pytest.raises(InternalFault):
        state_file.write_latch(tmp_path / "simulated-line17.json", TRIP, 1.0)


def test_a_damaged_file_is_moved_aside_for_a_latch_only_where_the_rig_is_known(
    tmp_path: Path,
) -> None:
    path = state_file.state_path(tmp_path, STATE.rig)
    path.write_text("{damaged")
    with pytest.raises(RefusedError):
        state_file.write_latch(path, TRIP, 1.0)
    assert path.read_text() == "{damaged"
    state_file.write_latch(path, TRIP, 1.0, STATE)
    assert state_file.read(path) == replace(STATE, trip=TRIP, tripped_utc_s=1.0)
    assert path.with_suffix(".damaged").read_text() == "{damaged"


def test_clearing_what_is_not_there_makes_no_file(tmp_path: Path) -> None:
    path = state_file.state_path(tmp_path, STATE.rig)
    state_file.clear_latch(path)
    assert not path.exists()


def test_a_folder_that_is_not_there_has_no_rigs_and_one_that_cannot_be_read_is_refused(
    tmp_path: Path,
) -> None:
    state_file.write(state_file.state_path(tmp_path, STATE.rig), STATE)
    assert state_file.state_files(tmp_path) == [tmp_path / f"{STATE.rig}.json"]
    assert state_file.state_files(tmp_path / "none") == []
    with pytest.raises(RefusedError, match="cannot be read"):
        state_file.state_files(tmp_path / f"{STATE.rig}.json")


@pytest.mark.parametrize("number", [errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.EACCES])
def test_a_latch_is_not_to_be_moved_away_where_the_file_is_not_what_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    def refused(path: Path) -> str:
        raise OSError(number, os.strerror(number), str(path))

    monkeypatch.setattr(state_file, "read_kept", refused)
    with pytest.raises(RefusedError, match="Leave the file") as told:
        state_file.read(tmp_path / "rig.json")
    assert "move the file" not in str(told.value)


def test_a_lock_says_whether_it_is_held(tmp_path: Path) -> None:
    path = state_file.state_path(tmp_path, STATE.rig)
    assert not state_file.held(path)
    lock = state_file.RigLock(path)
    assert state_file.held(path)
    lock.close()
    lock.close()  # idempotent
    assert not state_file.held(path)


def test_a_spare_file_that_is_gone_makes_no_room(tmp_path: Path) -> None:
    spare = Spare(tmp_path / "a.spare", 4096)
    spare.keep()
    assert spare.give_up() and not spare.give_up()


def test_an_owner_is_alive_only_as_that_very_process() -> None:
    me = state_file.this_process()
    assert me.alive()
    assert not replace(me, started=me.started + 1).alive()
    assert not replace(me, boot_id="another boot").alive()
    child = subprocess.Popen([sys.executable, "-c", "pass"])
    started = state_file.process_started(child.pid)
    os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)  # a zombie now
    assert not Owner(child.pid, started, me.boot_id).alive()
    child.wait()


@pytest.mark.parametrize("pid", [-1, 0, 2**22 + 1])
def test_what_is_no_process_is_never_alive(pid: int) -> None:
    """-1 and 0 would be every process, and this one's group (kill(2))."""
    assert not Owner(pid, 0, boot_id()).alive()


def test_a_lock_file_made_anew_lets_nobody_in_beside_a_living_bench(tmp_path: Path) -> None:
    path = tmp_path / "simulated-line17.json"
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as bench:
        owner = Owner(bench.pid, state_file.process_started(bench.pid), boot_id())
        state_file.write(path, replace(STATE, owner=owner))
        with pytest.raises(RefusedError, match=f"process {bench.pid}"):
            state_file.RigLock(path)
        assert not state_file.held(path)
    state_file.RigLock(path).close()


def test_one_bench_a_rig_and_the_holder_is_named(tmp_path: Path) -> None:
    path = tmp_path / "simulated-line17.json"
    lock = state_file.RigLock(path)
    state_file.claim(path, replace(STATE, owner=state_file.this_process()))
    with pytest.raises(RefusedError, match=f"process {os.getpid()}"):
        state_file.RigLock(path)
    lock.close()
    state_file.RigLock(path).close()


def test_a_full_disk_gives_up_its_spare_file_for_a_latch(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "simulated-line17.json"
    state_file.write(path, state_file.RigState("simulated-line17", "simulated", "chip", 17))
    spare = path.with_suffix(".spare")
    assert spare.stat().st_size == state_file.SPARE_BYTES
    really = os.fsync

    def full(fd: int) -> None:
        if spare.exists():
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        really(fd)

    monkeypatch.setattr(os, "fsync", full)
    state_file.clear_latch(path)
    monkeypatch.setattr(os, "fsync", lambda fd: full(fd) or _no_space())
    with pytest.raises(StorageError, match="cannot be written: the disk is full"):
        state_file.clear_latch(path)


def _no_space() -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_claim_on_a_full_disk_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_fd: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StorageError, match="the disk is full"):
        state_file.claim(tmp_path / "simulated-line17.json", STATE)
    assert not list(tmp_path.iterdir())
