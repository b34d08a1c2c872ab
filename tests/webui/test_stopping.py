# SPDX-License-Identifier: MIT
"""What a stop says where no bench runs: a coil that nobody can vouch for is not called safe."""

from __future__ import annotations

import json
import socket
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

from rig.core import messages, state_file
from rig.core.clock import boot_id
from rig.core.records import OFF_STATES, Trip
from rig.core.state_file import Owner, RigState
from rig.physics.feed import FeedSide, confirmed_off
from webui.live import hub, stopping
from webui.live.files import Files
from webui.live.hub import Hub
from webui.live.stopping import NOT_CONFIRMED, NOTHING, stop

GONE = Owner(2**22 + 1, 1, boot_id())
NOT_OFF = Trip("bench lost", None, None, "", 1, "COIL NOT CONFIRMED OFF: its line is taken")
WELDED = Trip("read-back disagreeing", 0.2, 0.1, "s", 1, "the load side is live, commanded off")
GUARDED = Trip("bench lost", None, None, "", 1, "The bench process died. Coil: confirmed off.")
OVER = Trip("over-pressure", 900.0, 800.0, "kPa", 1, "900 kPa is above 800 kPa")


def left(folder: Path, backend: str, owner: Owner | None, trip: Trip | None) -> None:
    name = state_file.rig_name(backend, "a", 17)
    path = state_file.state_path(folder, name)
    state_file.write(path, RigState(name, backend, "a", 17, owner=owner, trip=trip))


@pytest.mark.parametrize(
    ("backend", "owner", "trip", "said"),
    [
        ("board", None, None, NOTHING),
        ("board", GONE, None, NOT_CONFIRMED),
        ("board", None, NOT_OFF, NOT_CONFIRMED),
        ("board", GONE, NOT_OFF, NOT_CONFIRMED),
        ("board", GONE, OVER, NOT_CONFIRMED),
        ("board", GONE, GUARDED, NOTHING),
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
    path = state_file.state_path(tmp_path, "a-line17")
    left(tmp_path, "board", GONE, OVER)
    whole = json.loads(path.read_text())
    odd = [{**whole, "line": "x"}, {**whole, "owner": [1]}, {**whole, "plan": 3},
           {**whole, "trip": {**whole["trip"], "message": 5}},
           {**whole, "owner": {**whole["owner"], "pid": "1"}}]  # fmt: skip
    for text in ("{", "null", "[]", "7", "[" * 100_000, *map(json.dumps, odd)):
        path.write_text(text)
        assert stop(tmp_path, "a test").off == NOT_CONFIRMED, text[:80]
    path.unlink()
    path.mkdir()  # cannot be read at all
    assert stop(tmp_path, "a test").off == NOT_CONFIRMED
    assert stop(tmp_path / "none", "a test").off == NOTHING


def test_an_odd_state_file_does_not_keep_the_stop_from_a_running_bench(tmp_path: Path) -> None:
    (tmp_path / "another.json").write_text("null")
    with socket.socket(socket.AF_UNIX) as bench:
        bench.bind(str(tmp_path / "s"))
        bench.listen()
        owner = replace(state_file.this_process(), socket=str(tmp_path / "s"))
        left(tmp_path, "board", owner, None)
        with ThreadPoolExecutor(1) as pool:
            asked = pool.submit(stop, tmp_path, "a test")
            peer, _ = bench.accept()
            with peer:
                assert b'"stop"' in peer.recv(1000)
                later = time.monotonic_ns() + 10**9
                status = {"commanded_on": False, "coil_live": False, "t_ns": later}
                line = (messages.tell("status", **status) + "\n").encode()
                live = (messages.tell("status", **{**status, "coil_live": True}) + "\n").encode()
                peer.sendall(line + live + line)  # chatter: one dead look is none
                time.sleep(0.2)
                assert not asked.done()
                peer.sendall(line)
                time.sleep(0.2)
                assert asked.done()
            assert asked.result().off == NOT_CONFIRMED  # of the other rig nothing is known


def test_a_bench_whose_state_file_was_lost_is_stopped_all_the_same(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as stale:
        stale.bind(str(tmp_path / "b-line17.sock"))  # of a bench that was killed: nobody listens
    with socket.socket(socket.AF_UNIX) as bench:
        bench.bind(str(tmp_path / "a-line17.sock"))
        bench.listen()
        bench.settimeout(5)
        with ThreadPoolExecutor(1) as pool:
            asked = pool.submit(stop, tmp_path, "a test")
            bench.accept()[0].close()  # only looked whether somebody listens
            peer, _ = bench.accept()
            with peer:
                assert b'"stop"' in peer.recv(1000)
                peer.sendall((messages.tell("ended", off=OFF_STATES[0]) + "\n").encode())
            assert asked.result().off == OFF_STATES[0]
    assert stop(tmp_path, "a test").off == NOTHING


def test_a_bench_is_stopped_although_no_thread_is_to_be_had(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A limit of processes (RLIMIT_NPROC) counts threads."""

    def refused(_thread: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    with socket.socket(socket.AF_UNIX) as bench:
        bench.bind(str(tmp_path / "s"))
        bench.listen()
        left(tmp_path, "simulated", replace(state_file.this_process(), socket=bench.getsockname()),
             None)  # fmt: skip
        monkeypatch.setattr(threading.Thread, "start", refused)
        assert stop(tmp_path, "a test").off == NOT_CONFIRMED, "it says nothing"
        peer, _ = bench.accept()
        with peer:
            assert b'"stop"' in peer.recv(1000)


def test_a_bench_that_no_file_names_is_not_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """State file and socket were removed, or it is another account's."""
    monkeypatch.setattr(stopping, "unknown_benches", lambda: [4711])
    done = stop(tmp_path, "a test")
    assert done.off == NOT_CONFIRMED and "mushroom stop" in done.words


@pytest.mark.parametrize("side", ["supply", "ground"])
def test_a_stop_says_no_more_than_the_read_back_of_its_feed_side(side: FeedSide) -> None:
    said = {
        "commanded_on": False,
        "coil_live": False,
        "t_ns": 2,
        "confirmed_off": confirmed_off(side),
    }
    assert stopping._said(messages.tell("status", **said).encode(), 1) == confirmed_off(side)
    ended = messages.tell("ended", off=confirmed_off(side))
    assert stopping._said(ended.encode(), 1) == confirmed_off(side)
    assert stopping.Stopped(confirmed_off(side), "").sure
    assert ("less than half" in confirmed_off(side)) is (side == "ground")


def test_a_read_back_found_wrong_by_a_later_trip_confirms_nothing() -> None:
    """The status names the first trip only; its `confirmed_off` says what can be confirmed."""
    said = {"commanded_on": False, "coil_live": False, "t_ns": 2, "tripped": "over-pressure"}
    line = messages.tell("status", **said, confirmed_off=OFF_STATES[1]).encode()
    assert stopping._said(line, 1) == OFF_STATES[1]


@pytest.mark.parametrize("backend", ["board", "simulated"])
def test_a_bench_that_died_with_its_desk_is_latched_and_told_by_the_page(
    tmp_path: Path, backend: str
) -> None:
    """As after a kill of both while the page goes on; the guard's own latch comes first."""
    path = state_file.state_path(tmp_path, state_file.rig_name(backend, "a", 17))
    left(tmp_path, backend, GONE, None)
    made = Hub(tmp_path, Files([], [], tmp_path))
    made._look_for_dead(100.0)
    made._look_for_dead(100.0 + hub.GUARD_FIRST_S / 2)
    assert "alarm" not in made.snapshot()
    made._look_for_dead(100.0 + hub.GUARD_FIRST_S)
    state = state_file.read(path)
    assert state is not None and state.trip is not None
    assert state.trip.rule == "bench lost, release not seen"
    assert state.trip.message in made.snapshot()["alarm"]
    state_file.clear_latch(path)
    made._look_for_dead(200.0)
    assert "alarm" not in made.snapshot()


def test_the_driven_desk_is_ordered_whatever_the_other_way_comes_to(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    ordered: list[str] = []

    class Driven:
        def order(self, name: str, **_: object) -> None:
            ordered.append(name)

    def broken(*_: object) -> None:
        raise RuntimeError("whatever")

    made = Hub(tmp_path, Files([], [], tmp_path))
    monkeypatch.setattr(hub, "stop", broken)
    made._driven = Driven()  # type: ignore[assignment]
    with pytest.raises(RuntimeError):
        made.stop("a test")
    assert ordered == ["stop"]
