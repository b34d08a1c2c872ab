# SPDX-License-Identifier: MIT
"""Floods of connections that say nothing or half of it, and other accounts of this computer.

Real sockets on the loopback, bounded in number and time.
"""

from __future__ import annotations

import contextlib
import http.client
import os
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from waitress import wasyncore

from webui import access, listener, local_peer, serving
from webui.live.files import Files
from webui.live.hub import Hub

HALF = b"POST /stop HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 50\r\n\r\nhalf of i"
IDLE_FLOOD, HALF_FLOOD = 250, 130
MAIN_RENEWED, STOP_RENEWED = serving.MOST + 50, serving.STOP_MOST + 36


class Running(NamedTuple):
    """Both listeners of a page that can operate."""

    page: Any
    stop: Any

    @property
    def ports(self) -> tuple[int, int]:
        return self.page.effective_port, self.stop.effective_port


@contextlib.contextmanager
def serving_both(page: Any, stop: Any, end: Callable[[Any], None]) -> Iterator[Running]:
    """Both answer in threads of their own; `end` is done to each channel that is left."""
    threads = [threading.Thread(target=one.run) for one in (page, stop)]
    for thread in threads:
        thread.start()
    try:
        yield Running(page, stop)
    finally:
        for one in (page, stop):
            for channel in list(one.active_channels.values()):
                end(channel)
            one.asyncore.close_all(one._map)
            one.task_dispatcher.shutdown()
        for thread in threads:
            thread.join(10)


@contextlib.contextmanager
def running(folder: Path, **config: object) -> Iterator[Running]:
    hub = Hub(folder / "state", Files([], [], folder))
    page = serving.open_server("127.0.0.1", 0, HUB=hub, **config)
    stop = serving.open_stop_server("127.0.0.1", (), page.app)

    def end(channel: Any) -> None:
        channel.will_close = True

    with serving_both(page, stop, end) as both:
        yield both


def ask(port: int, method: str, address: str, **headers: str) -> tuple[int, str, float]:
    """Status, text, and how long it took, s."""
    began = time.monotonic()
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    try:
        link.request(method, address, headers=headers)
        answer = link.getresponse()
        return answer.status, answer.read().decode(), time.monotonic() - began
    finally:
        link.close()


@contextlib.contextmanager
def connections(port: int, count: int, first: bytes = b"") -> Iterator[list[socket.socket]]:
    socks = []
    try:
        for _ in range(count):
            sock = socket.create_connection(("127.0.0.1", port), timeout=5)
            socks.append(sock)
            with contextlib.suppress(OSError):  # dropped already for a later one
                sock.sendall(first)
        yield socks
    finally:
        for sock in socks:
            sock.close()


def is_open(sock: socket.socket) -> bool:
    sock.setblocking(False)
    try:
        return sock.recv(1) != b""
    except BlockingIOError:
        return True
    except OSError:
        return False


def test_stop_is_answered_within_a_second_through_both_floods_at_once(tmp_path: Path) -> None:
    with running(tmp_path) as servers:
        main, second = servers.ports
        with connections(main, IDLE_FLOOD), connections(second, HALF_FLOOD, HALF):
            for port in (main, second):
                status, text, took_s = ask(port, "POST", "/stop", Accept="application/json")
                assert status == 200 and "nothing to stop" in text
                assert took_s < 1, f"{took_s:.2f} s on {port}"
            assert ask(main, "GET", "/bench")[0] == 200
            time.sleep(0.5)
            assert len(servers.page.active_channels) <= serving.EACH
            assert len(servers.stop.active_channels) <= serving.STOP_EACH


@pytest.mark.parametrize("first", [b"", HALF], ids=["idle", "half sent"])
def test_who_owes_a_request_is_dropped_in_time(tmp_path: Path, first: bytes) -> None:
    with running(tmp_path) as servers:
        main, second = servers.ports
        with connections(second, 3, first) as early, connections(main, 3, first) as late:
            time.sleep(1.0)
            assert all(map(is_open, early + late))
            time.sleep(serving.STOP_TIMEOUT_S + 1.5)
            assert not any(map(is_open, early)) and all(map(is_open, late))
            time.sleep(serving.TIMEOUT_S - 1.5)
            assert not any(map(is_open, late))


def test_one_byte_now_and_then_is_no_request(
    tmp_path: Path,
) -> None:
    with running(tmp_path) as servers, connections(servers.ports[1], 1, HALF) as (sock,):
        until = time.monotonic() + serving.STOP_TIMEOUT_S + 2.5
        while time.monotonic() < until and is_open(sock):
            with contextlib.suppress(OSError):
                sock.send(b".")
            time.sleep(0.2)
        assert not is_open(sock)


def test_a_body_that_comes_fast_enough_may_take_longer(tmp_path: Path) -> None:
    with running(tmp_path) as servers:
        head = b"POST /stop HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 60000\r\n\r\n"
        with connections(servers.ports[1], 1, head) as (sock,):
            for _ in range(4):
                sock.sendall(b"." * listener.BODY_BYTES_PER_S)
                time.sleep(1.0)  # 4 s in all
            sock.settimeout(5)
            assert b"200 OK" in sock.recv(1000) or b"413" in sock.recv(1000)


@contextlib.contextmanager
def waiting_for_who_goes(open_server: Callable[[Any], Any]) -> Iterator[tuple[int, list[bool]]]:
    """A listener whose answers are made until nobody waits for them, 5 s at most: its port, and of
    each answer whether it was left."""
    left: list[bool] = []

    def answer(environ: dict[str, Any], start: Any) -> list[bytes]:
        gone, until = environ["waitress.client_disconnected"], time.monotonic() + 5
        left.append(gone())
        while not gone() and time.monotonic() < until and environ["PATH_INFO"] == "/slow":
            time.sleep(0.05)
        left.append(gone())
        start("200 OK", [("Content-Length", "2")])
        return [b"ok"]

    server = open_server(answer)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield server.effective_port, left
    finally:
        for channel in list(server.active_channels.values()):
            channel.will_close = True
        server.asyncore.close_all(server._map)
        server.task_dispatcher.shutdown()
        thread.join(10)


def told(left: list[bool], count: int) -> list[bool]:
    until = time.monotonic() + 8
    while len(left) < count and time.monotonic() < until:
        time.sleep(0.05)
    return left


def test_whoever_makes_an_answer_can_see_that_nobody_waits_for_it() -> None:
    def opened(answer: Any) -> Any:
        return listener.Listener(
            answer, timeout_s=10, each=9, most=9, host="127.0.0.1", port=0, threads=1
        )

    with waiting_for_who_goes(opened) as (port, left):
        assert ask(port, "GET", "/quick")[1] == "ok" and told(left, 2) == [False, False]
        with connections(port, 1, b"GET /slow HTTP/1.1\r\nHost: x\r\n\r\n"):
            assert told(left, 3) == [False] * 3
        assert told(left, 4) == [False] * 3 + [True]


def test_one_address_does_not_fill_all_places(tmp_path: Path) -> None:
    port, count = 0, serving.EACH + 40
    with running(tmp_path) as servers, connections(servers.ports[port], count, HALF) as socks:
        until = time.monotonic() + 5
        while is_open(socks[39]) and time.monotonic() < until:
            time.sleep(0.05)
        assert [is_open(sock) for sock in socks] == [False] * 40 + [True] * serving.EACH


@contextlib.contextmanager
def renewed(port: int, count: int, source: str, first: bytes) -> Iterator[list[int]]:
    """A flood that opens a new connection for each that is dropped; at its end, how many it
    opened."""
    opened: list[int] = []
    words = [sys.executable, str(Path(__file__).with_name("renewing.py"))]
    with subprocess.Popen(
        [*words, str(port), str(count), source, first.decode()],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as flood:  # fmt: skip
        assert flood.stdin is not None and flood.stdout is not None
        try:
            assert flood.stdout.readline() == "ready\n"
            yield opened
        finally:
            flood.stdin.close()
            opened.append(int(flood.stdout.readline()))


def stop_from_afar(port: int) -> tuple[bytes, float]:
    """The answer to a stop whose bytes come 30 ms after the connection; and how long it took, s."""
    began, answer = time.monotonic(), b""
    with socket.create_connection(("127.0.0.1", port), timeout=3) as sock:
        time.sleep(0.03)
        with contextlib.suppress(ConnectionError):
            sock.sendall(b"POST /stop HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 0\r\n"
                         b"Accept: application/json\r\nConnection: close\r\n\r\n")  # fmt: skip
            while part := sock.recv(10_000):
                answer += part
    return answer, time.monotonic() - began


@pytest.mark.real_time
@pytest.mark.parametrize("source", ["127.0.0.1", "127.0.1.%d"], ids=["own", "other addresses"])
@pytest.mark.parametrize("first", [b"", HALF], ids=["idle", "half sent"])
def test_stop_gets_through_floods_that_renew_their_connections(
    tmp_path: Path, source: str, first: bytes
) -> None:
    with running(tmp_path) as servers:
        main, second = servers.ports
        with (
            renewed(main, MAIN_RENEWED, source, first) as of_main,
            renewed(second, STOP_RENEWED, source, first) as of_second,
        ):
            time.sleep(1.0)
            for port in (main, second) * 4:
                answer, took_s = stop_from_afar(port)
                assert b"nothing to stop" in answer
                assert took_s < 1, f"{took_s:.2f} s on {port}"
        if first:  # who says nothing is not let in, so not dropped
            assert of_main[0] > 4 * MAIN_RENEWED and of_second[0] > 4 * STOP_RENEWED


def test_nobody_is_closed_for_an_event_of_one_that_had_to_go() -> None:
    """Numbers of descriptors are given again: an event of the old one is in the same turn."""

    def answer(_environ: dict[str, Any], start: Any) -> list[bytes]:
        start("200 OK", [])
        return [b"here"]

    server = listener.Listener(
        answer, timeout_s=9, each=2, most=9, host="127.0.0.1", port=0, threads=1
    )
    try:
        with connections(int(server.effective_port), 2, HALF) as early:
            while len(server.active_channels) < 2:
                wasyncore.poll2(0.1, server._map)
            for sock in early:  # cut off: both have an event now
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                sock.close()
            get = b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
            with connections(int(server.effective_port), 2, get) as late:
                for _ in range(20):
                    wasyncore.poll2(0.1, server._map)
                assert [b"here" in sock.recv(1000) for sock in late] == [True, True]
    finally:
        server.asyncore.close_all(server._map)
        server.task_dispatcher.shutdown()


def test_a_wrong_host_on_the_stop_port_is_a_plain_400(tmp_path: Path) -> None:
    with running(tmp_path) as servers:
        for port in servers.ports:
            status, text, _ = ask(port, "POST", "/stop", Host="evil.example")
            assert status == 400 and "127.0.0.1" in text and "--name" in text


def test_the_stop_port_lets_the_page_read_its_answer_and_no_other_stop(tmp_path: Path) -> None:
    with running(tmp_path) as servers:
        main, second = servers.ports
        own = f"http://127.0.0.1:{main}"
        assert ask(second, "POST", "/stop", Origin=own)[0] == 200
        assert ask(second, "POST", "/stop", Origin="http://127.0.0.1:1")[0] == 403


# -- other accounts


def test_the_account_at_the_other_end_of_a_loopback_connection() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        here = server.getsockname()
        with socket.create_connection(here) as client:
            assert local_peer.uid_of(client.getsockname(), here) == os.getuid()
            assert local_peer.uid_of(client.getsockname(), ("127.0.0.1", 1)) is None
            peer, _ = server.accept()
            peer.close()
            client.shutdown(socket.SHUT_WR)  # no longer established: the table says account 0
            there = client.getsockname()
        assert local_peer.uid_of(there, here) is None
    assert local_peer.uid_of(("192.0.2.1", 5), here) is None


def test_an_ipv6_socket_to_an_ipv4_address_is_found() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        here = server.getsockname()
        with socket.socket(socket.AF_INET6) as client:
            client.connect(("::ffff:127.0.0.1", here[1]))
            assert local_peer.uid_of(("127.0.0.1", client.getsockname()[1]), here) == os.getuid()


@pytest.mark.parametrize("row", ["06", "0A", "04", "08"])
def test_only_an_established_socket_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, row: str
) -> None:
    """Rows as the kernel writes them: proc(5)."""
    table = tmp_path / "tcp"
    monkeypatch.setattr(local_peer, "TABLES", (tmp_path / "no IPv6", table))
    form = "head\n   0: 0100007F:C350 0100007F:21C2 {} 0:0 0:0 0 {} 0 {} 1 x\n"
    found = []
    for state, uid, inode in ((row, 1000, 77), ("01", 0, 0), ("01", 1000, 77)):
        table.write_text(form.format(state, uid, inode))
        found.append(local_peer.uid_of(("127.0.0.1", 50_000), ("127.0.0.1", 8642)))
    assert found == [None, None, 1000]


def operate(port: int, **headers: str) -> tuple[int, str]:
    """Take the controls as a browser does."""
    link = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    try:
        link.request("GET", "/bench", headers=headers)
        answer = link.getresponse()
        cookie = answer.headers["Set-Cookie"].split(";")[0]
        token = answer.read().decode().split('name="csrf" content="')[1].split('"')[0]
        form = {"Content-Type": "application/x-www-form-urlencoded", "Cookie": cookie, **headers}
        link.request("POST", "/controls", f"csrf={token}", form)
        answer = link.getresponse()
        return answer.status, answer.read().decode()
    finally:
        link.close()


def test_the_owner_operates_and_another_account_only_looks_and_stops(tmp_path: Path) -> None:
    none = {"PASSCODE_HASH": access.NO_PASSCODE}
    with running(tmp_path, OWNER=os.getuid(), **none) as servers:
        assert operate(servers.ports[0])[0] == 302
        # through another program the account says nothing
        assert operate(servers.ports[0], **{"X-Forwarded-For": "192.0.2.1"})[0] == 403
    with running(tmp_path, OWNER=os.getuid() + 1, **none) as servers:
        status, text = operate(servers.ports[0])
        assert status == 403 and "no passcode was set" in text
        assert "another account" in ask(servers.ports[0], "GET", "/controls")[1]
        assert ask(servers.ports[0], "GET", "/bench")[0] == 200
        assert ask(servers.ports[0], "POST", "/stop")[0] == 200


def test_a_stop_waits_for_no_look_at_whose_account_it_comes_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The kernel's table of sockets is long after a flood: 131,000 rows took seconds to read."""

    def slow(*_: object) -> None:
        raise AssertionError("asked")

    monkeypatch.setattr(local_peer, "uid_of", slow)
    with running(tmp_path, OWNER=os.getuid(), PASSCODE_HASH=access.NO_PASSCODE) as servers:
        assert ask(servers.ports[0], "POST", "/stop", Accept="application/json")[0] == 200


def test_the_owner_is_that_of_the_data_folder(tmp_path: Path) -> None:
    assert local_peer.owner_of(tmp_path) == os.getuid()
    assert local_peer.owner_of(Path("/")) == Path("/").stat().st_uid
    assert local_peer.owner_of(tmp_path / "none") == os.getuid()
