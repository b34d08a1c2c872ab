# SPDX-License-Identifier: MIT
"""The page over TLS with the shop's own certificate.

The handshake runs in the listener's own loop, one step whenever the socket is ready: a connection
that never finishes it owes its first request like any other and is dropped in time
(webui.listener).
"""

from __future__ import annotations

import contextlib
import socket
import ssl
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple, cast

from rig.core.errors import UsageError
from webui.listener import READ_BYTES, Connection

OLDEST = ssl.TLSVersion.TLSv1_2
SOON_S = 30 * 86_400
EXPIRED, NOT_YET = 10, 9
"""X509_V_ERR_CERT_HAS_EXPIRED, X509_V_ERR_CERT_NOT_YET_VALID (OpenSSL, x509_vfy.h)."""
HANDSHAKE = 0x16  # the first byte of a TLS connection (RFC 8446, section 5.1: handshake record)
PLAIN_HTTP = (
    b"HTTP/1.1 400 Bad Request\r\nContent-Type: text/plain; charset=utf-8\r\n"
    b"Connection: close\r\n\r\nThis page is served over https: type https:// before its address.\n"
)


class Secured(NamedTuple):
    """A certificate that can be served: the context, its names, its expiry (UTC, seconds), and
    cautions."""

    context: ssl.SSLContext
    names: list[str]
    until_utc_s: float
    cautions: list[str]


def secured(certificate: Path, key: Path) -> Secured:
    """Load a certificate (PEM, with those between it and its root) and its key.

    Raises UsageError: an unreadable or invalid file, a key with a passphrase or of another
    certificate, a certificate that has expired or is not valid yet.
    """
    for option, path in (("--certificate", certificate), ("--key", key)):
        try:
            path.read_bytes()
        except OSError as error:
            raise UsageError(
                f"{option} {path}: cannot be read ({error.strerror}).\n"
                "Remedy: check the name, and that this account may read it."
            ) from error
    if b"BEGIN CERTIFICATE" not in certificate.read_bytes():
        raise UsageError(
            f"--certificate {certificate}: holds no certificate in PEM form.\n"
            "Remedy: give the file that has a line -----BEGIN CERTIFICATE-----."
        )
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = OLDEST
    context.options |= ssl.OP_NO_RENEGOTIATION  # lets a client keep the processor busy
    try:
        context.load_cert_chain(certificate, key, password=_asked_for_passphrase)
    except _Passphrase as error:
        raise UsageError(
            f"--key {key}: is protected by a passphrase, which nobody types at a start.\n"
            "Remedy: give a key without one that this account alone may read (mode 0600)."
        ) from error
    except (ssl.SSLError, ValueError) as error:
        if getattr(error, "reason", "") == "KEY_VALUES_MISMATCH":
            raise UsageError(
                f"--key {key}: is not the key of the certificate {certificate}.\n"
                "Remedy: give the key that the certificate was made for."
            ) from error
        raise UsageError(
            f"--certificate {certificate}, --key {key}: cannot be used ({error}).\n"
            "Remedy: give both in PEM form: -----BEGIN CERTIFICATE----- and -----BEGIN PRIVATE "
            "KEY-----."
        ) from error
    found = _held_by_itself(context, certificate)
    until = ssl.cert_time_to_seconds(str(found["notAfter"]))
    names = [str(name) for kind, name in cast(Any, found.get("subjectAltName", ())) if kind in
             ("DNS", "IP Address")]  # fmt: skip
    cautions = []
    if until - time.time() < SOON_S:
        cautions.append(f"The certificate {certificate} expires within 30 days.")
    if not names:
        cautions.append(
            f"The certificate {certificate} names no host (subjectAltName); browsers will not "
            "trust it."
        )
    if key.stat().st_mode & 0o077:
        cautions.append(f"The key {key} can be read by other accounts: chmod 600 it.")
    return Secured(context, names, until, cautions)


class _Passphrase(Exception):
    """Raised instead of prompting at the terminal."""


def _asked_for_passphrase() -> str:
    raise _Passphrase


def _held_by_itself(server: ssl.SSLContext, certificate: Path) -> dict[str, Any]:
    """What the certificate says, from an in-memory handshake with a client that trusts it alone."""
    client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    client.check_hostname = False
    client.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN  # it need not be a root
    client.load_verify_locations(cadata=certificate.read_text(encoding="ascii", errors="ignore"))
    to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
    ends = (
        server.wrap_bio(to_server, to_client, server_side=True),
        client.wrap_bio(to_client, to_server),
    )
    try:
        for _ in range(8):  # TLS 1.3 takes two rounds, 1.2 three
            for end in ends:
                try:
                    end.do_handshake()
                except ssl.SSLWantReadError:
                    continue
                if end is ends[1]:
                    return cast(dict[str, Any], end.getpeercert())
    except ssl.SSLCertVerificationError as error:
        what = {EXPIRED: "has expired", NOT_YET: "is not valid yet"}.get(error.verify_code)
        raise UsageError(
            f"--certificate {certificate}: {what or f'cannot be used ({error.verify_message})'}.\n"
            "Remedy: "
            + ("have a new one made, and check this computer's date." if what else
               "give the certificate of this computer first in the file, then those above it.")
        ) from error  # fmt: skip
    except (ssl.SSLError, ValueError) as error:
        raise UsageError(f"--certificate {certificate}: cannot be used ({error}).") from error
    raise UsageError(f"--certificate {certificate}: cannot be used.")


class TlsConnection(Connection):
    """A connection whose first bytes are the TLS handshake.

    The loop reads while a worker may write: the library's object allows one of them at a time.
    """

    def __init__(self, server: Any, sock: ssl.SSLSocket, addr: Any, adj: Any, map: Any) -> None:
        self._turn = threading.Lock()
        self._begun, self._shaken, self._wants_write = False, False, False
        super().__init__(server, sock, addr, adj, map=map)

    @property
    def greeted(self) -> bool:  # type: ignore[override]
        """Whether the handshake is done."""
        return self._shaken

    @property
    def has_spoken(self) -> bool:  # type: ignore[override]
        """Whether the first message of the handshake arrived whole: a cipher is agreed then."""
        return self._shaken or self.socket.cipher() is not None

    def readable(self) -> bool:
        """During the handshake, what the handshake waits for."""
        return bool(super().readable()) if self._shaken else not self._wants_write

    def writable(self) -> bool:
        """The same."""
        return bool(super().writable()) if self._shaken else self._wants_write

    def handle_read_event(self) -> None:
        """One step of the handshake, else waitress's own handling."""
        if self._shaken or self._shake():
            super().handle_read_event()

    def handle_write_event(self) -> None:
        """The same."""
        if self._shaken or self._shake():
            super().handle_write_event()

    def _shake(self) -> bool:
        """Whether the handshake is done and nothing else must be read first."""
        try:
            if not self._wants_write and self._speaks_plainly():
                return False
            with self._turn:
                self.socket.do_handshake()
        except (ssl.SSLWantReadError, BlockingIOError):
            self._wants_write = False
        except ssl.SSLWantWriteError:
            self._wants_write = True
        except (OSError, ValueError):  # not TLS, cut off, or a browser that does not trust it
            self.handle_close()
        else:
            self._shaken, self._wants_write = True, False
        return False  # data that came with it makes the socket ready again

    def _speaks_plainly(self) -> bool:
        """Whether this is not TLS at all; somebody who typed http:// gets a message."""
        if self._begun:
            return False
        first = socket.socket.recv(self.socket, 1, socket.MSG_PEEK)
        self._begun = True
        if not first or first[0] == HANDSHAKE:
            return False
        with contextlib.suppress(OSError):
            socket.socket.recv(self.socket, READ_BYTES)  # else closing resets the answer
            socket.socket.send(self.socket, PLAIN_HTTP)
        self.handle_close()
        return True

    def recv(self, buffer_size: int) -> bytes:
        """Raises as waitress expects; no data yet is not the end."""
        try:
            with self._turn:
                return bytes(super().recv(buffer_size))
        except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
            return b""
        except ssl.SSLError:
            self.handle_close()
            return b""

    def send(self, data: bytes, do_close: bool = True) -> int:
        """Number of bytes accepted; 0 if the other end reads slowly, or is gone."""
        try:
            with self._turn:
                return int(super().send(data, do_close=do_close))
        except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
            return 0
        except ssl.SSLError:
            if do_close:
                self.handle_close()
            return 0

    def handle_close(self) -> None:
        """Send the TLS goodbye if that needs no waiting, then close."""
        sock = self.socket
        if self._shaken and sock is not None and self._turn.acquire(blocking=False):
            try:
                with contextlib.suppress(OSError, ValueError):
                    sock.unwrap()
            finally:
                self._turn.release()
        super().handle_close()


def wrapping(context: ssl.SSLContext) -> Callable[..., TlsConnection | None]:
    """Wrap an accepted socket in a connection."""

    def made(server: Any, sock: socket.socket, addr: Any, adj: Any, map: Any) -> Any:
        sock.setblocking(False)
        try:
            wrapped = context.wrap_socket(sock, server_side=True, do_handshake_on_connect=False)
        except OSError:  # gone again
            sock.close()
            return None
        return TlsConnection(server, wrapped, addr, adj, map)

    return made
