# SPDX-License-Identifier: MIT
"""`rig safe`, answer by answer: what a bench says, what it does not say, and whose line is left."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from rig.core import coil_heat, messages, state_file
from rig.core.clock import boot_id
from rig.core.errors import HardwareError, RefusedError
from rig.core.records import NOT_CONFIRMED_OFF, OFF_STATES, RELEASE_NOT_SEEN, Trip
from rig.core.state_file import Owner, RigState
from rig.desk import guard, safe

CONFIRMED, COMMANDED, LIVE, _ = OFF_STATES
SIMULATED = RigState("simulated-line17", "simulated", "no-such-chip", 17)
BOARD = replace(SIMULATED, rig="no-such-chip-line17", backend="board")
WAITING = messages.tell("refused", why="Not started.", exit_code=3)
DEAD = Owner(2**22 + 1, 5, boot_id())


def ended(off: object) -> str:
    return messages.tell("ended", reason="aborted", off=off, t_ns=1)


def written(folder: Path, state: RigState) -> Path:
    path = state_file.state_path(folder, state.rig)
    state_file.write(path, state)
    return path


@pytest.fixture
def asked_for_s(monkeypatch: pytest.MonkeyPatch) -> float:
    monkeypatch.setattr(safe, "ASK_S", 0.3)
    return 0.3


@contextmanager
def bench(path: Path, *lines: str, close: bool = True) -> Iterator[list[bytes]]:
    """What listens at `path` and answers an order with these lines; yields what it was sent."""
    orders: list[bytes] = []
    over = threading.Event()
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(path))
        listener.listen()

        def answer() -> None:
            peer, _ = listener.accept()
            with peer:
                orders.append(peer.recv(1000))
                with suppress(BrokenPipeError):  # whoever asked has heard enough
                    peer.sendall("".join(line + "\n" for line in lines).encode())
                if not close:
                    over.wait(20)

        answering = threading.Thread(target=answer)
        answering.start()
        yield orders
        over.set()
        answering.join()


@pytest.fixture
def process() -> Iterator[Owner]:
    """A process that answers nothing."""
    with subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"]) as child:
        yield Owner(child.pid, state_file.process_started(child.pid), boot_id())
        child.kill()


# -- a bench that no state file names


@pytest.mark.parametrize("content", [None, b"", b"{damaged"])
@pytest.mark.parametrize("off", [CONFIRMED, COMMANDED, LIVE])
def test_a_bench_beside_a_lost_or_damaged_file_is_stopped_and_believed(
    tmp_path: Path, content: bytes | None, off: str
) -> None:
    path = tmp_path / "simulated-line17.json"
    if content is not None:
        path.write_bytes(content)
    with bench(path.with_suffix(".sock"), ended(off)) as orders:
        made = safe.make_safe(path)
    assert made is not None and (made.rig, made.off) == ("simulated-line17", off)
    assert "no state file names" in made.words
    assert messages.read_order(orders[0].rstrip()).order == "stop"


def test_a_damaged_file_is_refused_unless_a_setup_says_which_line(tmp_path: Path) -> None:
    path = tmp_path / "simulated-line17.json"
    path.write_text("{damaged")
    with pytest.raises(RefusedError, match="damaged"):
        safe.make_safe(path)
    made = safe.make_safe(path, SIMULATED)
    assert made is not None and made.off == COMMANDED and "no program held" in made.words


def test_nothing_is_known_of_a_rig_that_was_never_started(tmp_path: Path) -> None:
    assert safe.make_safe(tmp_path / "simulated-line17.json") is None


@pytest.mark.parametrize("ends", [True, False])
def test_a_bench_that_had_not_begun_is_waited_for(
    tmp_path: Path, asked_for_s: float, ends: bool
) -> None:
    """It holds the rig's lock until it has ended; one that keeps it is not called off."""
    path = written(tmp_path, SIMULATED)
    lock = state_file.RigLock(path)
    later = threading.Timer(asked_for_s / 3, lock.close)
    with bench(path.with_suffix(".sock"), WAITING):
        if ends:
            later.start()
            made = safe.make_safe(path)
            assert made is not None and made.off == COMMANDED
        else:
            with pytest.raises(HardwareError, match="no state file names"):
                safe.make_safe(path)
    later.cancel()
    lock.close()


# -- a bench that the state file names


def test_a_named_bench_that_had_not_begun_ends_by_itself_and_is_no_trip(
    tmp_path: Path, process: Owner, asked_for_s: float
) -> None:
    path = written(tmp_path, replace(SIMULATED, owner=replace(process, socket=str(tmp_path / "s"))))
    with bench(tmp_path / "s", WAITING):
        made = safe.make_safe(path)
    assert made is not None and "had not begun, and ended" in made.words
    state = state_file.read(path)
    assert state is not None and state.owner is None and state.trip is None


@pytest.mark.parametrize(
    "said",
    [
        ['["S","pressure",1]', "{no telling", messages.tell("status", state="armed")],
        [ended("no such state")],
        [messages.tell("ended", reason="aborted", t_ns=1)],
    ],
)
def test_what_is_no_end_is_not_believed_and_the_process_is_killed(
    tmp_path: Path, process: Owner, asked_for_s: float, said: list[str]
) -> None:
    path = written(tmp_path, replace(SIMULATED, owner=replace(process, socket=str(tmp_path / "s"))))
    coil_heat.mark_open(path)
    with bench(tmp_path / "s", *said):
        made = safe.make_safe(path)
    assert made is not None and made.off == COMMANDED
    assert "did not answer and was ended" in made.words and RELEASE_NOT_SEEN in made.words
    assert not process.alive()


def test_an_answer_that_never_comes_is_waited_for_no_longer_than_that(
    tmp_path: Path, process: Owner, asked_for_s: float
) -> None:
    """Records come all the time; no end among them."""
    path = written(tmp_path, replace(SIMULATED, owner=replace(process, socket=str(tmp_path / "s"))))
    with bench(tmp_path / "s", '["L","switch",1,5]', close=False):
        began = time.monotonic()
        made = safe.make_safe(path)
        took_s = time.monotonic() - began
    assert made is not None and "did not answer and was ended" in made.words
    assert asked_for_s <= took_s < 10


def test_records_in_an_endless_stream_hide_no_silence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each look brings a record: the time is up all the same."""
    clock = SimpleNamespace(now=0.0)

    def monotonic() -> float:
        clock.now += 0.5
        return float(clock.now)

    monkeypatch.setattr(safe, "time", SimpleNamespace(monotonic=monotonic))
    with bench(tmp_path / "s", *['["L","switch",1,5]'] * 50_000, close=False):
        assert safe._ask(str(tmp_path / "s")) is None
    assert clock.now <= 3 * safe.ASK_S


def test_an_end_that_arrives_in_two_parts_is_read(tmp_path: Path) -> None:
    listener = socket.socket(socket.AF_UNIX)
    listener.bind(str(tmp_path / "s"))
    listener.listen()
    text = (ended(CONFIRMED) + "\n").encode()

    def answer() -> None:
        peer, _ = listener.accept()
        with peer:
            peer.recv(1000)
            for part in (b'["L","switch",1,5]\n' + text[:20], text[20:]):
                peer.sendall(part)
                time.sleep(0.05)

    answering = threading.Thread(target=answer)
    answering.start()
    assert safe._ask(str(tmp_path / "s")) == CONFIRMED
    answering.join()
    listener.close()


@pytest.mark.parametrize("frees", [True, False])
def test_a_full_queue_before_the_bench_is_tried_again_until_the_time_is_up(
    monkeypatch: pytest.MonkeyPatch, frees: bool
) -> None:
    clock, tries = SimpleNamespace(now=0.0), []

    def sleep(seconds: float) -> None:
        clock.now += seconds

    def connect(path: str) -> None:
        tries.append(path)
        if not frees or len(tries) < 5:
            raise BlockingIOError

    monkeypatch.setattr(safe, "time", SimpleNamespace(monotonic=lambda: clock.now, sleep=sleep))
    sock = SimpleNamespace(connect=connect)
    if frees:
        safe._connect(sock, "s", 0.1)  # type: ignore[arg-type]
        assert len(tries) == 5
    else:
        with pytest.raises(BlockingIOError):
            safe._connect(sock, "s", 0.1)  # type: ignore[arg-type]
        assert 0.1 < clock.now <= 0.12 and len(tries) > 5


# -- the line of a dead one


def test_a_rig_that_was_tripped_already_keeps_its_trip(tmp_path: Path) -> None:
    first = Trip("duty", 60.0, 50.0, "%", 1, "hot")
    path = written(tmp_path, replace(SIMULATED, owner=DEAD, trip=first))
    made = safe.make_safe(path)
    assert made is not None and "tripped already: duty" in made.words
    state = state_file.read(path)
    assert state is not None and state.trip == first


def test_a_line_that_stays_live_leaves_the_coil_heating(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = written(tmp_path, replace(BOARD, owner=DEAD))
    coil_heat.mark_open(path)
    monkeypatch.setattr(guard, "drive_off", lambda _: LIVE)
    made = safe.make_safe(path)
    assert made is not None and made.off == LIVE
    kept = coil_heat.read(coil_heat.heat_path(path))
    assert kept is not None and kept.open, "what is live warms the coil on"


def test_a_line_that_cannot_be_taken_and_was_nobodys_is_no_trip(tmp_path: Path) -> None:
    path = written(tmp_path, BOARD)
    with pytest.raises(HardwareError):
        safe.make_safe(path)
    state = state_file.read(path)
    assert state is not None and state.trip is None


def test_a_line_that_cannot_be_taken_is_latched_as_not_confirmed(tmp_path: Path) -> None:
    path = written(tmp_path, replace(BOARD, owner=DEAD))
    with pytest.raises(HardwareError):
        safe.make_safe(path)
    state = state_file.read(path)
    assert state is not None and state.trip is not None and NOT_CONFIRMED_OFF in state.trip.message


# -- who holds a chip, and what is there


def test_a_process_of_another_account_may_hold_a_chip(monkeypatch: pytest.MonkeyPatch) -> None:
    """Root may read every process's descriptors; anybody else may not."""

    def denied(_: Path) -> None:
        raise PermissionError(13, "Permission denied")

    assert not safe._may_hold(Path("/proc/self"))
    monkeypatch.setattr(Path, "iterdir", denied)
    assert safe._may_hold(Path("/proc/self"))


def test_every_rig_of_the_folder_is_named_and_a_damaged_one_refused(tmp_path: Path) -> None:
    path = written(tmp_path, SIMULATED)
    assert safe.states(tmp_path) == [(path, SIMULATED)]
    assert safe.states(tmp_path / "none") == []
    (tmp_path / "simulated-line18.json").write_text("{}")
    with pytest.raises(RefusedError):
        safe.states(tmp_path)


def test_a_file_that_went_away_while_it_was_looked_at_is_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(state_file, "state_files", lambda folder: [folder / "gone.json"])
    assert safe.states(tmp_path) == []


# -- the guard's kill


def test_a_kill_waits_until_the_process_has_ended(process: Owner) -> None:
    assert guard.kill(process)
    assert not process.alive()


def test_a_dead_process_is_not_killed_again(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object) -> None:
        pytest.fail("its number may be another's now")

    with monkeypatch.context() as patched:
        patched.setattr(os, "kill", never)
        assert guard.kill(DEAD)


def test_a_process_that_does_not_end_is_not_called_ended(
    process: Owner, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As in the kernel, waiting for a device that hangs."""
    signals: list[tuple[int, int]] = []
    with monkeypatch.context() as patched:
        patched.setattr(os, "kill", lambda pid, number: signals.append((pid, number)))
        began = time.monotonic()
        assert not guard.kill(process, 0.1)
    assert time.monotonic() - began >= 0.1 and signals == [(process.pid, signal.SIGKILL)]
    assert process.alive()
