# SPDX-License-Identifier: MIT
"""The page over TLS: what is refused at the start, and that every bound holds there too.

Clients are Python's own ssl module and the openssl command; certificates are made by the latter.
"""

from __future__ import annotations

import contextlib
import http.client
import os
import select
import socket
import ssl
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from certificates import made
from test_listener import (
    HALF,
    Running,
    connections,
    is_open,
    serving_both,
    told,
    waiting_for_who_goes,
)

from rig.core.errors import UsageError
from webui import serving, tls
from webui.listener import Listener
from webui.live.files import Files
from webui.live.hub import Hub


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    return made(tmp_path_factory.mktemp("certificate"))


@contextlib.contextmanager
def running(folder: Path, pair: tuple[Path, Path], **config: object) -> Iterator[Running]:
    secure = tls.secured(*pair)
    hub = Hub(folder / "state", Files([], [], folder))
    page = serving.open_server("127.0.0.1", 0, secure.names, secure, HUB=hub, **config)
    stop = serving.open_stop_server("127.0.0.1", (), page.app, secure)
    page.app.config["STOP_PORT"] = stop.effective_port
    with serving_both(page, stop, lambda channel: channel.handle_close()) as both:
        yield both


def ask(
    pair: tuple[Path, Path], port: int, method: str, address: str, body: bytes | None = None,
    version: ssl.TLSVersion | None = None, **headers: str,
) -> tuple[int, bytes, dict]:  # fmt: skip
    trusting = ssl.create_default_context(cafile=str(pair[0]))
    if version is not None:
        trusting.maximum_version = version
    link = http.client.HTTPSConnection("127.0.0.1", port, timeout=10, context=trusting)
    try:
        link.request(method, address, body=body, headers=headers)
        answer = link.getresponse()
        return answer.status, answer.read(), dict(answer.headers)
    finally:
        link.close()


@pytest.mark.parametrize("version", [None, ssl.TLSVersion.TLSv1_2], ids=["newest", "1.2"])
def test_a_browser_that_trusts_it_sees_the_page(
    tmp_path: Path, pair: tuple[Path, Path], version: ssl.TLSVersion | None
) -> None:
    with running(tmp_path, pair) as servers:
        page, stop = servers.ports
        status, text, headers = ask(pair, page, "GET", "/help/", version=version)
        assert (status, b"<h1" in text) == (200, True)
        assert f"https://127.0.0.1:{stop}" in headers["Content-Security-Policy"]
        assert "Secure" in headers["Set-Cookie"]
        assert ask(pair, page, "GET", "/", version=version, Host="evil.example")[0] == 400
        assert ask(pair, stop, "POST", "/stop", version=version)[0] == 200
        assert ask(pair, stop, "POST", "/stop", Host="evil.example")[0] == 400
        own = {"Origin": f"https://127.0.0.1:{page}"}
        assert ask(pair, stop, "POST", "/stop", **own)[0] == 200
        assert ask(pair, page, "POST", "/stop", **own)[0] in (200, 303)
        foreign = {"Origin": "https://evil.example"}
        assert ask(pair, stop, "POST", "/stop", **foreign)[0] == 403
        assert ask(pair, page, "POST", "/stop", **foreign)[0] == 403


def test_whoever_makes_an_answer_can_see_that_nobody_waits_for_it(pair: tuple[Path, Path]) -> None:
    def opened(answer: Any) -> Any:
        return Listener(
            answer, timeout_s=10, each=9, most=9, host="127.0.0.1", port=0, threads=1,
            connection=tls.wrapping(tls.secured(*pair).context),
        )  # fmt: skip

    trusting = ssl.create_default_context(cafile=str(pair[0]))
    with waiting_for_who_goes(opened) as (port, left):
        link = http.client.HTTPSConnection("127.0.0.1", port, timeout=10, context=trusting)
        link.request("GET", "/slow")
        assert told(left, 1) == [False]
        link.close()
        assert told(left, 2) == [False, True]


def test_large_bodies_both_ways_are_whole(tmp_path: Path, pair: tuple[Path, Path]) -> None:
    """Many TLS records, and more than a socket's buffers hold."""
    from flask import request

    sent = os.urandom(3_000_000)
    with running(tmp_path, pair, MAX_CONTENT_LENGTH=4_000_000) as servers:
        servers.page.app.add_url_rule(
            "/echo", "echo", lambda: request.get_data() + b"!", methods=["PUT"]
        )
        servers.page.app.before_request_funcs.clear()
        status, text, _ = ask(pair, servers.ports[0], "PUT", "/echo", body=sent)
        assert (status, text == sent + b"!") == (200, True)


def test_the_owner_of_the_data_is_known_through_tls(
    tmp_path: Path, pair: tuple[Path, Path]
) -> None:
    from webui.access import NO_PASSCODE

    config = {"PASSCODE_HASH": NO_PASSCODE, "OWNER": os.getuid()}
    with running(tmp_path, pair, **config) as servers:
        assert b"no passcode was set" not in ask(pair, servers.ports[0], "GET", "/controls")[1]
    with running(tmp_path, pair, **{**config, "OWNER": os.getuid() + 1}) as servers:
        assert b"no passcode was set" in ask(pair, servers.ports[0], "GET", "/controls")[1]


@contextlib.contextmanager
def half_handshakes(port: int, count: int) -> Iterator[list[socket.socket]]:
    """Connections that begin the handshake and stop in the middle of the first message."""
    trusting = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    trusting.check_hostname = False
    to_client, to_server = ssl.MemoryBIO(), ssl.MemoryBIO()
    hello = trusting.wrap_bio(to_client, to_server)
    with contextlib.suppress(ssl.SSLWantReadError):
        hello.do_handshake()
    with connections(port, count, to_server.read()[:40]) as opened:
        yield opened


def test_stop_is_answered_through_floods_of_half_open_handshakes(
    tmp_path: Path, pair: tuple[Path, Path]
) -> None:
    with running(tmp_path, pair) as servers:
        page, stop = servers.ports
        with half_handshakes(page, 150), half_handshakes(stop, 60), connections(page, 60):
            for port in (page, stop):
                began = time.monotonic()
                assert ask(pair, port, "POST", "/stop")[0] == 200
                assert time.monotonic() - began < 2
            time.sleep(0.5)
            assert len(servers.page.active_channels) <= serving.EACH
            assert len(servers.stop.active_channels) <= serving.STOP_EACH


def stopped_slowly(pair: tuple[Path, Path], port: int) -> bool:
    """Whether a stop is answered to somebody in whose handshake many others are begun."""
    trusting = ssl.create_default_context(cafile=str(pair[0]))
    raw = socket.create_connection(("127.0.0.1", port), timeout=5)
    raw.setblocking(False)
    link = trusting.wrap_socket(raw, server_hostname="127.0.0.1", do_handshake_on_connect=False)
    with link, contextlib.suppress(OSError):
        with contextlib.suppress(ssl.SSLWantReadError):
            link.do_handshake()
        assert select.select([link], [], [], 5)[0]  # the server's turn came
        with half_handshakes(port, serving.STOP_EACH + 4):
            time.sleep(0.2)
            link.settimeout(1)
            link.do_handshake()
            link.sendall(b"POST /stop HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            return link.recv(100).startswith(b"HTTP/1.1 200")
    return False


def test_who_has_begun_to_shake_hands_outlasts_those_who_say_nothing_whole(
    tmp_path: Path, pair: tuple[Path, Path]
) -> None:
    """Chance has a hand in who goes, so three tries: the one that waits longest always went."""
    with running(tmp_path, pair) as servers:
        assert serving.STOP_MOST_TLS > 10 * serving.STOP_EACH  # more than a few addresses
        assert any(stopped_slowly(pair, int(servers.ports[1])) for _ in range(3))


def test_a_handshake_that_never_ends_is_dropped_in_time(
    tmp_path: Path, pair: tuple[Path, Path]
) -> None:
    with running(tmp_path, pair) as servers, half_handshakes(servers.ports[1], 3) as opened:
        time.sleep(1.0)
        assert all(map(is_open, opened))
        time.sleep(serving.STOP_TIMEOUT_S + 1.5)
        assert not any(map(is_open, opened))
        assert not servers.stop.active_channels


def test_a_request_half_sent_over_tls_is_dropped_in_time(
    tmp_path: Path, pair: tuple[Path, Path]
) -> None:
    trusting = ssl.create_default_context(cafile=str(pair[0]))
    with running(tmp_path, pair) as servers:
        plain = socket.create_connection(("127.0.0.1", servers.ports[1]), timeout=10)
        with trusting.wrap_socket(plain, server_hostname="localhost") as link:
            link.sendall(HALF)
            began = time.monotonic()
            assert link.recv(1) == b""  # closed, with a goodbye
            assert time.monotonic() - began < serving.STOP_TIMEOUT_S + 3


def test_who_types_http_is_told(tmp_path: Path, pair: tuple[Path, Path]) -> None:
    with running(tmp_path, pair) as servers:
        link = http.client.HTTPConnection("127.0.0.1", servers.ports[0], timeout=10)
        link.request("GET", "/")
        answer = link.getresponse()
        assert (answer.status, b"type https://" in answer.read()) == (400, True)
        link.close()
        with connections(servers.ports[0], 5, b"\x80nothing known\xff" * 9):
            assert ask(pair, servers.ports[0], "GET", "/help/")[0] == 200


def test_old_versions_of_the_protocol_are_refused(tmp_path: Path, pair: tuple[Path, Path]) -> None:
    with running(tmp_path, pair) as servers:
        asked = ["openssl", "s_client", "-connect", f"127.0.0.1:{servers.ports[0]}", "-tls1_1",
                 "-cipher", "ALL:@SECLEVEL=0"]  # fmt: skip
        done = subprocess.run(asked, input=b"", capture_output=True, timeout=20, check=False)
        assert done.returncode != 0 and b"Cipher is (NONE)" in done.stdout


def refused(certificate: Path, key: Path) -> str:
    with pytest.raises(UsageError) as error:
        tls.secured(certificate, key)
    return str(error.value)


def test_what_cannot_be_served_is_said_at_the_start(
    tmp_path: Path, pair: tuple[Path, Path]
) -> None:
    certificate, key = pair
    other = made(tmp_path, "other")[1]
    assert "is not the key of the certificate" in refused(certificate, other)
    assert "cannot be read (No such file" in refused(tmp_path / "none.crt", key)
    assert "cannot be read (Is a directory" in refused(certificate, tmp_path)
    assert "holds no certificate in PEM form" in refused(key, key)
    assert "BEGIN PRIVATE KEY" in refused(certificate, certificate)
    locked = made(tmp_path, "locked", passphrase="not to be typed")
    assert "is protected by a passphrase" in refused(*locked)
    old = made(tmp_path, "old", days=("20200101000000Z", "20210101000000Z"))
    assert "has expired" in refused(*old)
    early = made(tmp_path, "early", days=("20900101000000Z", "20910101000000Z"))
    assert "is not valid yet" in refused(*early)


def test_what_a_certificate_says_and_cautions(tmp_path: Path, pair: tuple[Path, Path]) -> None:
    secure = tls.secured(*pair)
    assert secure.names == ["localhost", "127.0.0.1"] and secure.cautions == []
    said = subprocess.run(
        ["openssl", "x509", "-in", str(pair[0]), "-noout", "-enddate"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert ssl.cert_time_to_seconds(said.strip().partition("=")[2]) == secure.until_utc_s
    soon = time.strftime("%Y%m%d%H%M%SZ", time.gmtime(time.time() + 86_400 * 20))
    certificate, key = made(tmp_path, "soon", days=("20200101000000Z", soon))
    key.chmod(0o644)
    told = " ".join(tls.secured(certificate, key).cautions)
    assert "expires within 30 days" in told
    assert "names no host" in told
    assert "chmod 600" in told
