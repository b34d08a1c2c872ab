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


NOW = {"t_ns": 2, "commanded_on": False, "coil_live": False}


@pytest.mark.parametrize(
    ("told", "known"),
    [
        (NOW, OFF_STATES[0]),
        (NOW | {"t_ns": 1}, None),  # sent before the order
        (NOW | {"commanded_on": True}, None),
        (NOW | {"commanded_on": None}, None),
        (NOW | {"coil_live": True}, None),
        (NOW | {"coil_live": None}, OFF_STATES[1]),  # no read-back
        (NOW | {"tripped": "read-back disagreeing"}, OFF_STATES[1]),
        (NOW | {"tripped": "edge source lost"}, OFF_STATES[1]),
        (NOW | {"tripped": "over-pressure"}, OFF_STATES[0]),
    ],
)
def test_what_a_status_says_of_the_coil(told: dict[str, object], known: str | None) -> None:
    assert stopping._said(messages.tell("status", **told).encode(), 1) == known


def test_what_is_no_status_and_no_end_says_nothing() -> None:
    for line in (b'["L","switch",1,5]', b"", messages.tell("guide", **NOW).encode(),
                 messages.tell("ended", off="still live").encode()):  # fmt: skip
        assert stopping._said(line, 1) is None


class Bench:
    """Answers an order to stop with these lines, then says no more; with `goes` it hangs up."""

    def __init__(self, folder: Path, backend: str, *lines: str, goes: bool = False) -> None:
        self._socket, self._over = socket.socket(socket.AF_UNIX), threading.Event()
        name = state_file.rig_name(backend, "a", 17)
        self._socket.bind(str(folder / f"{name}.sock"))
        self._socket.listen()
        owner = replace(state_file.this_process(), socket=self._socket.getsockname())
        left(folder, backend, owner, None)
        self._lines, self._goes = lines, goes
        self.thread = threading.Thread(target=self._answer)
        self.thread.start()

    def _answer(self) -> None:
        peer, _ = self._socket.accept()
        with peer:
            peer.recv(1000)
            for line in self._lines:
                peer.sendall(line.encode())
            if not self._goes:
                self._over.wait(20)

    def close(self) -> None:
        self._over.set()
        self.thread.join()
        self._socket.close()


def ended(off: str) -> str:
    return messages.tell("ended", off=off) + "\n"


CONFIRMED, COMMANDED, LIVE, ON_GROUND = OFF_STATES
ORDER_OF_DOUBT = [CONFIRMED, ON_GROUND, COMMANDED, NOT_CONFIRMED]


@pytest.mark.parametrize("one", ORDER_OF_DOUBT)
@pytest.mark.parametrize("other", ORDER_OF_DOUBT)
def test_of_two_rigs_the_lesser_is_said(tmp_path: Path, one: str, other: str) -> None:
    benches = [
        Bench(tmp_path, backend, ended(LIVE if off == NOT_CONFIRMED else off), goes=True)
        for backend, off in (("board", one), ("simulated", other))
    ]
    done = stop(tmp_path, "a test")
    for bench in benches:
        bench.close()
    assert done.off == max((one, other), key=ORDER_OF_DOUBT.index)
    assert done.sure is (done.off in (CONFIRMED, ON_GROUND))
    assert ("mushroom stop" in done.words) is (done.off == NOT_CONFIRMED)


@pytest.mark.parametrize("goes", [True, False])
def test_a_bench_that_never_says_its_end_is_answered_for_within_a_second(
    tmp_path: Path, goes: bool
) -> None:
    """Records and statuses from before the order come all the same."""
    old = messages.tell("status", **NOW) + "\n"
    bench = Bench(tmp_path, "board", '["L","switch",1,5]\n', old, old, goes=goes)
    began = time.monotonic()
    done = stop(tmp_path, "a test")
    took_s = time.monotonic() - began
    bench.close()
    assert done.off == NOT_CONFIRMED and took_s < stopping.ANSWER_S + 2
    assert goes or took_s >= stopping.ANSWER_S


def test_a_stream_without_an_end_is_left_when_the_time_is_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At each look something has arrived."""
    bench = Bench(tmp_path, "board", '["L","switch",1,5]\n' * 5)
    really = stopping.select.select

    def slow(*words: object) -> object:
        time.sleep(0.05)
        return really(*words)  # type: ignore[arg-type]

    monkeypatch.setattr(stopping.select, "select", slow)
    path = str(tmp_path / "a-line17.sock")
    assert stopping._stop_one(path, "a test", time.monotonic() + 0.04) == NOT_CONFIRMED
    monkeypatch.undo()
    bench.close()


def test_a_folder_that_cannot_be_read_is_no_stopped_rig(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    done = stop(tmp_path / "file", "a test")
    assert done.off == NOT_CONFIRMED and "cannot be read" in done.words
    assert "mushroom stop" in done.words


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
