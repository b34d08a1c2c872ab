# SPDX-License-Identifier: MIT
from __future__ import annotations

import contextlib
import errno
import os
import socket
import stat
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.bench.operator_link import MAX_WATCHERS, OPERATOR_LINES, STOPPER_S, STOPPERS, DeskLink
from rig.bench.streams import SocketSink
from rig.core import messages


@pytest.fixture
def ends(tmp_path: Path) -> Iterator[tuple[DeskLink, socket.socket, Path]]:
    bench_end, desk = socket.socketpair()
    path = tmp_path / "bench.sock"
    link = DeskLink(bench_end)
    link.listen(path)
    with desk, contextlib.closing(link):
        yield link, desk, path


def connect(path: Path) -> socket.socket:
    sock = socket.socket(socket.AF_UNIX)
    sock.connect(str(path))
    return sock


def test_the_socket_is_for_this_user_only(ends: tuple[DeskLink, socket.socket, Path]) -> None:
    assert stat.S_IMODE(os.stat(ends[2]).st_mode) == 0o600


def test_the_operator_orders(ends: tuple[DeskLink, socket.socket, Path]) -> None:
    link, desk, _ = ends
    desk.sendall(messages.order("arm") + messages.order("start")[:5])
    assert [o.order for o in link.poll()] == ["arm"]
    desk.sendall(messages.order("start")[5:])
    assert [o.order for o in link.poll()] == ["start"]


def test_a_disk_gone_read_only_is_no_fault_at_the_end(
    ends: tuple[DeskLink, socket.socket, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    def read_only(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    with monkeypatch.context() as patched:
        patched.setattr(Path, "unlink", read_only)
        ends[0].close()


def test_a_watcher_may_only_stop(ends: tuple[DeskLink, socket.socket, Path]) -> None:
    link, _, path = ends
    with connect(path) as watcher:
        watcher.sendall(messages.order("start"))
        assert link.poll() == []
        link.poll()
        link.flush()
        assert b"another desk operates" in watcher.recv(4096)
        watcher.sendall(messages.order("stop", "me"))
        assert [o[:2] for o in link.poll()] == [("stop", "me")]


def test_everyone_hears(ends: tuple[DeskLink, socket.socket, Path]) -> None:
    link, desk, path = ends
    with connect(path) as watcher:
        link.poll()
        link.send('{"v":1}')
        link.flush()
        assert desk.recv(99) == watcher.recv(99) == b'{"v":1}\n'


def test_nonsense_is_answered_and_not_obeyed(ends: tuple[DeskLink, socket.socket, Path]) -> None:
    link, desk, _ = ends
    desk.sendall(b"\xff\xfe{{{\n")
    assert link.poll() == []
    link.flush()
    assert b"refused" in desk.recv(4096)
    assert not link.operator_gone


def test_an_endless_line_ends_the_connection(ends: tuple[DeskLink, socket.socket, Path]) -> None:
    link, desk, _ = ends
    desk.setblocking(False)
    for _ in range(20):
        with contextlib.suppress(BlockingIOError):
            desk.send(b"x" * 30_000)
        link.poll()
    assert link.operator_gone


def test_the_operator_leaving_shows(ends: tuple[DeskLink, socket.socket, Path]) -> None:
    link, desk, _ = ends
    desk.close()
    link.poll()
    assert link.operator_gone


def test_watchers_are_bounded_and_a_deaf_one_is_cut_off(
    ends: tuple[DeskLink, socket.socket, Path],
) -> None:
    link, _, path = ends
    with contextlib.ExitStack() as stack:
        for _ in range(MAX_WATCHERS + 3):
            stack.enter_context(connect(path))
            link.poll()
        assert len(link._watchers) == MAX_WATCHERS + 3
        time.sleep(STOPPER_S + 0.05)
        link.poll()
        assert len(link._watchers) == MAX_WATCHERS
        for _ in range(200):
            link.send("x" * 50_000)
            link.flush()
        link.poll()
        assert link._watchers == []


def test_a_stop_is_taken_although_all_places_to_watch_are_taken(
    ends: tuple[DeskLink, socket.socket, Path],
) -> None:
    link, _, path = ends
    with contextlib.ExitStack() as stack:
        for _ in range(MAX_WATCHERS):
            stack.enter_context(connect(path))
            link.poll()
        idle, stopper = (stack.enter_context(connect(path)) for _ in range(2))
        link.poll()
        link.poll()
        stopper.sendall(messages.order("stop", "a person"))
        assert [order.why for order in link.poll()] == ["a person"]
        time.sleep(STOPPER_S + 0.05)
        link.poll()
        link.send("afterwards")
        link.flush()
        assert b"afterwards" in stopper.recv(1000)  # it hears what became of the coil
        told = idle.recv(1000)
        assert b"only a stop" in told and b"afterwards" not in told and idle.recv(1000) == b""


def test_beyond_the_places_for_a_stop_nobody_is_let_in(
    ends: tuple[DeskLink, socket.socket, Path],
) -> None:
    link, _, path = ends
    with contextlib.ExitStack() as stack:
        for _ in range(MAX_WATCHERS + STOPPERS):
            stack.enter_context(connect(path))
            link.poll()
        late = stack.enter_context(connect(path))
        link.poll()
        late.settimeout(5)
        assert late.recv(99) == b""
        assert len(link._watchers) == MAX_WATCHERS + STOPPERS


def test_a_flood_of_orders_is_taken_in_portions_and_whole(
    ends: tuple[DeskLink, socket.socket, Path],
) -> None:
    link, desk, _ = ends
    desk.sendall(b"".join(messages.order("stop", str(n)) for n in range(2 * OPERATOR_LINES + 3)))
    turns = [[order.why for order in link.poll()] for _ in range(4)]
    assert [len(turn) for turn in turns] == [OPERATOR_LINES, OPERATOR_LINES, 3, 0]
    assert [why for turn in turns for why in turn] == [
        str(n) for n in range(2 * OPERATOR_LINES + 3)
    ]


def test_while_enough_waits_no_more_is_received(ends: tuple[DeskLink, socket.socket, Path]) -> None:
    """What a flood sends stays in the kernel, which then stops its sender."""
    link, desk, _ = ends
    desk.sendall(b"".join(messages.order("stop", str(n)) for n in range(2 * OPERATOR_LINES)))
    link.poll()
    desk.sendall(messages.order("stop", "later"))
    assert len(link.poll()) == OPERATOR_LINES
    assert link._operator.sock.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT)
    assert [order.why for order in link.poll()] == ["later"]


def test_a_watcher_that_left_what_it_was_told_unread_is_gone(
    ends: tuple[DeskLink, socket.socket, Path],
) -> None:
    """The kernel answers the next read with a connection reset (unix(7))."""
    link, _, path = ends
    watcher = connect(path)
    link.poll()
    link.send("told")
    link.flush()
    before = link.filenos()
    watcher.close()
    assert link.poll() == []
    assert len(link.filenos()) == len(before) - 1 and not link.operator_gone


def test_it_waits_on_every_desk_and_on_its_door(
    ends: tuple[DeskLink, socket.socket, Path],
) -> None:
    link, desk, path = ends
    assert len(link.filenos()) == 2
    with connect(path):
        link.poll()
        assert len(link.filenos()) == len(set(link.filenos())) == 3
        desk.close()
        link.poll()
        assert len(link.filenos()) == 2, "nothing more comes from who has left"


def test_a_link_without_a_door_serves_its_operator_alone() -> None:
    bench_end, desk = socket.socketpair()
    link = DeskLink(bench_end)
    with desk:
        desk.sendall(messages.order("arm"))
        assert [order.order for order in link.poll()] == ["arm"]
        assert link.filenos() == [bench_end.fileno()]
        link.send("told")
        link.close()
        assert desk.recv(99) == b"told\n" and bench_end.fileno() == -1


def test_a_recorder_that_has_gone_is_known_at_once_and_takes_nothing_more() -> None:
    ours, theirs = socket.socketpair()
    sink = SocketSink(ours)
    sink.put("first")
    sink.flush()
    assert not sink.reader_gone
    theirs.close()
    sink.put("second")
    sink.flush()
    assert sink.reader_gone and not sink.overflowed and sink.lag_s == 0.0
    sink.put("third")
    begun = time.monotonic()
    sink.close(20.0)
    assert time.monotonic() - begun < 5, "nothing waits for a reader that is not there"


def test_a_recorder_that_takes_nothing_overflows_and_never_blocks() -> None:
    ours, theirs = socket.socketpair()
    with theirs:
        sink = SocketSink(ours)
        for _ in range(1000):
            sink.put("x" * 20_000)
            sink.flush()
            if sink.overflowed:
                break
        assert sink.overflowed and sink.lag_s >= 0
        sink.close(0.05)


def test_the_last_records_are_handed_over_whole_while_somebody_answers() -> None:
    ours, theirs = socket.socketpair()
    ours.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
    sent = [f"{n}:" + "x" * 20_000 for n in range(100)]
    got = bytearray()
    answered = 0
    with theirs:
        theirs.setblocking(False)
        sink = SocketSink(ours)
        for line in sent:
            sink.put(line)

        def meanwhile() -> None:
            nonlocal answered
            answered += 1
            with contextlib.suppress(BlockingIOError):
                got.extend(theirs.recv(1 << 20))

        sink.close(20.0, meanwhile)
        assert answered >= 3
        assert ours.fileno() == -1
        theirs.setblocking(True)
        while block := theirs.recv(1 << 20):
            got.extend(block)
    assert got.decode().splitlines() == sent


def test_a_recorder_that_takes_nothing_is_waited_for_as_long_as_was_said() -> None:
    ours, theirs = socket.socketpair()
    with theirs:
        sink = SocketSink(ours)
        sink.put("x" * 4_000_000)
        begun = time.monotonic()
        sink.close(0.3)
        assert time.monotonic() - begun >= 0.3
        assert ours.fileno() == -1


def test_records_arrive_whole_and_in_order() -> None:
    ours, theirs = socket.socketpair()
    with theirs:
        sink = SocketSink(ours)
        lines = [f"{n}:" + "y" * (n % 300) for n in range(5000)]
        got = b""
        theirs.setblocking(False)
        for line in lines:
            sink.put(line)
            sink.flush()
            with contextlib.suppress(BlockingIOError):
                got += theirs.recv(1 << 16)
        for _ in range(1000):
            sink.flush()
            with contextlib.suppress(BlockingIOError):
                got += theirs.recv(1 << 16)
        assert got.decode().splitlines() == lines
        sink.close(1.0)
