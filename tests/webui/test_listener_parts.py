# SPDX-License-Identifier: MIT
"""The listener's decisions one by one: who is dropped, when, and what a connection gone is."""

from __future__ import annotations

import contextlib
import random
import socket
import threading
import time
from collections.abc import Iterator
from typing import Any

import pytest
from waitress import wasyncore

from webui import listener
from webui.listener import Connection, Listener


@pytest.fixture
def pair() -> Iterator[tuple[Connection, socket.socket]]:
    """A connection without a server, and the browser's end of its socket."""
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    made = object.__new__(Connection)
    made.socket, made.will_close, made.connected = ours, False, True
    made.owes()
    with ours, theirs:
        yield made, theirs


class Held:
    """A connection as the listener sees it."""

    def __init__(self, name: str, waits_s: float, *, greeted: bool = True, spoken: bool = True,
                 at_work: bool = False) -> None:  # fmt: skip
        self.name, self.greeted, self.has_spoken, self.at_work = name, greeted, spoken, at_work
        self.waits_since_s = time.monotonic() - waits_s
        self.dropped = self.will_close = False
        self.received_bytes = self.total_outbufs_len = 0
        self.last_activity = time.time()

    def owes(self) -> None:
        self.waits_since_s = time.monotonic()

    def drop(self) -> None:
        self.dropped = True


def listening(*held: Held) -> Any:
    made = object.__new__(Listener)
    made._timeout_s, made.active_channels = 5.0, dict(enumerate(held))
    return made


def dropped(*held: Held) -> list[str]:
    return [one.name for one in held if one.dropped]


def test_what_came_before_it_was_accepted_is_read_at_once(
    pair: tuple[Connection, socket.socket], monkeypatch: pytest.MonkeyPatch
) -> None:
    made, browser = pair
    reads: list[object] = []
    monkeypatch.setattr(wasyncore, "read", reads.append)
    began = made.waits_since_s
    made.begin()
    assert not reads and made.waits_since_s == began - listener.KERNEL_S, "it waited already"
    browser.send(b"GET")
    made.begin()
    assert reads == [made]
    made.socket.close()
    made.begin()  # gone again: reading discovers it
    assert reads == [made, made]


def test_a_read_without_data_is_no_end_and_an_error_is_one(
    pair: tuple[Connection, socket.socket], monkeypatch: pytest.MonkeyPatch
) -> None:
    made, _ = pair
    closed: list[bool] = []
    monkeypatch.setattr(Connection, "handle_close", lambda _: closed.append(True))
    monkeypatch.setattr(Connection, "recv", lambda one, size: one.socket.recv(size))
    made.handle_read()
    assert not closed
    made.socket.close()
    made.handle_read()
    assert closed == [True]


def test_nobody_waits_on_a_connection_that_is_closed(
    pair: tuple[Connection, socket.socket],
) -> None:
    made, browser = pair
    assert not made.check_client_disconnected()
    browser.close()
    assert made.check_client_disconnected()
    made.socket.close()
    assert made.check_client_disconnected()


def test_late_ones_and_answers_that_nobody_reads_are_dropped_and_no_other() -> None:
    late, soon = Held("late", 5.5), Held("soon", 4.0)
    body = Held("body", 6.0)
    body.received_bytes = 2 * listener.BODY_BYTES_PER_S
    working, unread, read = (Held(name, 99.0, at_work=True) for name in ("w", "unread", "read"))
    unread.total_outbufs_len = read.total_outbufs_len = 1000
    unread.last_activity -= listener.UNREAD_S + 1
    held = (late, soon, body, working, unread, read)
    listening(*held).maintenance(0.0)
    assert dropped(*held) == ["late", "unread"]
    assert time.monotonic() - working.waits_since_s < 5, "it owes nothing while it is answered"


@pytest.mark.parametrize("greeted", [True, False])
def test_where_all_are_being_answered_the_newcomer_goes(greeted: bool) -> None:
    new, busy = Held("new", 0.0), Held("busy", 9.0, greeted=greeted, at_work=True)
    listening()._make_room(new, [busy])
    assert dropped(new, busy) == ["new"]


def test_without_handshakes_the_longest_waiting_goes() -> None:
    held = [Held("a", 1.0), Held("b", 3.0), Held("c", 2.0), Held("busy", 9.0, at_work=True)]
    listening()._make_room(Held("new", 0.0), held)  # type: ignore[arg-type]
    assert dropped(*held) == ["b"]


def test_under_handshakes_a_random_late_one_goes_the_silent_more_likely(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[tuple[list[str], list[int]]] = []

    def choices(among: list[Held], weights: list[int]) -> list[Held]:
        asked.append(([one.name for one in among], weights))
        return [among[-1]]

    monkeypatch.setattr(random, "choices", choices)
    held = [Held("early", 0.1, greeted=False), Held("silent", 2.0, greeted=False, spoken=False),
            Held("spoken", 2.0, greeted=False), Held("busy", 9.0, at_work=True)]  # fmt: skip
    listening()._make_room(Held("new", 0.0), held)  # type: ignore[arg-type]
    assert asked == [(["silent", "spoken"], [listener.SILENT_WEIGHT, 1])]
    assert dropped(*held) == ["spoken"]
    young = [Held("a", 0.1, greeted=False), Held("b", 0.2)]
    listening()._make_room(Held("new", 0.0), young)  # type: ignore[arg-type]
    assert asked[1] == (["a", "b"], [1, 1]), "nobody is late: among all"


def test_the_end_waits_for_an_answer_under_way_and_no_longer_than_was_said() -> None:
    over, asked = threading.Event(), threading.Event()

    def answer(_environ: dict[str, Any], start: Any) -> list[bytes]:
        asked.set()
        over.wait(20)
        start("200 OK", [])
        return [b"here"]

    server = Listener(answer, timeout_s=9, each=2, most=9, host="127.0.0.1", port=0, threads=1)

    def run() -> None:
        with contextlib.suppress(OSError):  # its sockets are closed under it, as when the page ends
            wasyncore.loop(timeout=0.05, map=server._map)

    loop = threading.Thread(target=run)
    loop.start()
    with socket.create_connection(("127.0.0.1", int(server.effective_port))) as browser:
        browser.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
        assert asked.wait(20)
        began = time.monotonic()
        server.end()
        took_s = time.monotonic() - began
        browser.settimeout(10)
        assert browser.recv(1000) == b"", "nothing was answered"
    over.set()
    server.asyncore.close_all(server._map)
    loop.join(10)
    assert listener.ANSWERS_S <= took_s < listener.ANSWERS_S + 2
