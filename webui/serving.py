# SPDX-License-Identifier: MIT
"""Where the page listens: on the loopback, unless a person explicitly chooses another address."""

from __future__ import annotations

import contextlib
import fcntl
import importlib
import ipaddress
import json
import logging
import signal
import socket
import struct
import threading
from collections.abc import Iterator, Sequence
from typing import Any

from flask import Flask

from rig.core import quantities
from rig.core.errors import UsageError
from rig.diagnosis.knowledge import loading
from webui import security, tls
from webui.app import FORM_MOST, create_app
from webui.listener import Listener
from webui.work.captures import CAPTURE_BYTES

DEFAULT_PORT = 8642
THREADS = 24
"""Streams of live data take at most ten of them (webui.live.stream)."""
STOP_THREADS = 2
TIMEOUT_S, STOP_TIMEOUT_S = 10.0, 2.0
"""How long a connection may be idle, or its request half sent."""
EACH, MOST = 64, 250
"""Connections from one address, and in total."""
STOP_EACH, STOP_MOST, STOP_MOST_TLS = 16, 64, 250
"""More over TLS: a handshake takes several round trips, in which others may come."""
OUT_MOST = 128 * 1024
"""Buffer for a browser that reads slowly; older data would be shown as live."""
BODY_MOST = CAPTURE_BYTES + (1 << 20)
EXPOSE_FLAG = "--expose-run-log"
EXPOSED = (
    "Anyone who can reach this machine can then read every run: valve tags, job numbers, names of "
    "people, conditions and notes, and can stop a run."
)
PLAIN = (
    "Nothing is encrypted: whoever listens on the network reads the runs, and the passcode when it "
    "is given. With a certificate of your own it is: --certificate FILE --key FILE."
)

JOB_TEMPLATES = (
    "job.html", "base.html", "_files.html", "_register.html", "_shown.html", "job_diagnosis.html",
)  # fmt: skip

_SIOCGIFADDR = 0x8915  # netdevice(7)


def address_of(host: str, exposed: bool, encrypted: bool = False) -> str:
    """The IPv4 address to listen on for `host`. Raises UsageError if it may not be used.

    IPv6 is refused: the host name check that guards this page does not support such addresses.
    """
    try:
        found = socket.getaddrinfo(host, None, socket.AF_INET, socket.SOCK_STREAM)
    except OSError as error:
        raise UsageError(
            f"--host {host}: this is no IPv4 address or name of this machine ({error.strerror}).\n"
            "Remedy: 127.0.0.1 for this machine alone, 0.0.0.0 for every network it is on."
        ) from error
    address = str(found[0][4][0])
    if not ipaddress.ip_address(address).is_loopback and not exposed:
        plain = "" if encrypted else " Nothing is encrypted without --certificate."
        raise UsageError(
            f"--host {host} is not the loopback. {EXPOSED}{plain}\n"
            f"Remedy: leave --host away, or add {EXPOSE_FLAG} where that is wanted."
        )
    return address


def is_loopback(address: str) -> bool:
    """Whether only this machine reaches it."""
    return ipaddress.ip_address(address).is_loopback


def reachable_at(address: str) -> list[str]:
    """The addresses a browser can type for a server that listens on `address`."""
    return own_addresses() if address == "0.0.0.0" else [address]  # noqa: S104


def own_addresses() -> list[str]:
    """The IPv4 addresses of this machine's network interfaces, the loopback's first."""
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asker:
        for _, name in socket.if_nameindex():
            question = struct.pack("256s", name.encode()[:15])
            with contextlib.suppress(OSError):  # an interface without an address
                answer = fcntl.ioctl(asker.fileno(), _SIOCGIFADDR, question)
                found.append(socket.inet_ntoa(answer[20:24]))
    return sorted(set(found), key=lambda text: (not text.startswith("127."), text))


def _transport(secure: tls.Secured | None) -> dict[str, Any]:
    """TLS settings of a listener, or none."""
    if secure is None:
        return {}
    return {"connection": tls.wrapping(secure.context), "url_scheme": "https"}


def _answers_to(address: str, names: Sequence[str]) -> list[str]:
    """Each host name once: a certificate names some that are this computer's anyway."""
    own = security.own_names(reachable_at(address))
    return list(dict.fromkeys([*own, *(name.lower() for name in names)]))


def open_stop_server(
    address: str, names: Sequence[str], app: Any, secure: tls.Secured | None = None
) -> Any:
    """A listener on a free port that accepts a stop and nothing else, with threads of its own: no
    crowd of viewers can block it."""
    trusted = _answers_to(address, names)
    plain = [("Content-Type", "text/plain; charset=utf-8"), ("X-Content-Type-Options", "nosniff")]

    def answer(environ: dict[str, Any], start: Any) -> list[bytes]:
        if security.host_of(environ) not in trusted:
            start("400 Bad Request", plain)
            return [security.foreign_host(trusted).encode()]
        if environ["REQUEST_METHOD"] != "POST" or environ["PATH_INFO"] != "/stop":
            start("404 Not Found", plain)
            return [b"POST /stop\n"]
        if security.of_another_site(environ, app.config["PAGE_PORT"]):
            start("403 Forbidden", plain)
            return [security.ANOTHER_SITE.encode()]
        done = app.extensions["hub"].stop("stopped on a page")
        headers = [("Content-Type", "application/json"), ("Cache-Control", "no-store")]
        origin = environ.get("HTTP_ORIGIN")
        if origin:  # checked above: the rig's own page, at its other port
            headers.append(("Access-Control-Allow-Origin", origin))
        start("200 OK", headers)
        return [json.dumps({"off": done.off, "words": done.words}).encode()]

    return Listener(answer, timeout_s=STOP_TIMEOUT_S, each=STOP_EACH,
                    most=STOP_MOST if secure is None else STOP_MOST_TLS,
                    host=address, port=0, threads=STOP_THREADS,
                    max_request_body_size=FORM_MOST, **_transport(secure))  # fmt: skip


def open_server(
    address: str, port: int, names: Sequence[str] = (), secure: tls.Secured | None = None,
    **config: Any,
) -> Any:  # fmt: skip
    """A waitress server that is already listening. Port 0 takes a free one (`effective_port`).

    `names` are further host names to answer to; over TLS with `secure`. Raises UsageError if the
    port is taken.
    """
    trusted = _answers_to(address, names)
    # a browser requests several files at once; a short wait for a thread is not worth logging
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    app = create_app(
        {"TRUSTED_HOSTS": trusted, "SESSION_COOKIE_SECURE": secure is not None, **config}
    )
    try:
        server = Listener(
            app, timeout_s=TIMEOUT_S, each=EACH, most=MOST, host=address, port=port,
            threads=THREADS, outbuf_high_watermark=OUT_MOST, max_request_body_size=BODY_MOST,
            **_transport(secure),
        )  # fmt: skip
        server.app = app
        app.config["PAGE_PORT"] = int(server.effective_port)
        app.config["LISTENS_AT"] = (address, int(server.effective_port))
        return server
    except OSError as error:
        raise UsageError(
            f"Port {port} of {address} cannot be used: {error.strerror}.\n"
            "Remedy: choose another with --port, or end the program that has it."
        ) from error


@contextlib.contextmanager
def stopped_by_signals() -> Iterator[None]:
    """SIGTERM and SIGHUP end the server as Ctrl-C does."""

    def stop(_number: int, _frame: object) -> None:
        raise SystemExit(0)

    kept = {number: signal.signal(number, stop) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, handler in kept.items():
            signal.signal(number, handler)


def serve(server: Any, second: Any = None) -> None:
    """Serve until a signal says stop; every thread and socket is closed on return. `second` is the
    stop's own listener."""
    hub = server.app.extensions.get("hub")
    aside = threading.Thread(target=_run_aside, args=(second,), name="stop listener", daemon=True)
    try:
        with contextlib.suppress(SystemExit, KeyboardInterrupt), stopped_by_signals():
            if hub is not None:
                hub.start()
            if second is not None:
                aside.start()
            load_ahead(server.app)
            server.run()
    finally:
        if hub is not None:
            hub.close()  # first stop a run that the page drives
        server.app.extensions["gauge_look"].end()
        server.app.extensions["waiting_runs"].close()
        for one in (server, second):
            if one is not None:
                one.end()


def load_ahead(app: Flask) -> None:
    """Preload most of what the first page of a job would otherwise wait for: units, the knowledge
    of the diagnosis, and its templates. Not scipy's functions: they would cost 16 MB for every page
    even if nobody opens a job."""
    importlib.import_module("rig.diagnosis.diagnose")
    for name in JOB_TEMPLATES:
        app.jinja_env.get_template(name)
    quantities.registry()
    loading.load_knowledge()


def _run_aside(second: Any) -> None:
    with contextlib.suppress(OSError):  # its sockets are closed under it at shutdown
        second.run()
