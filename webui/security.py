# SPDX-License-Identifier: MIT
"""What every answer carries, and which host names are answered at all."""

from __future__ import annotations

import socket

from flask import Flask, Response, request

LOOPBACK_NAMES = ("localhost", "127.0.0.1")

CONTENT_SECURITY_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "base-uri 'none'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    )
)

HEADERS = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}


def install(app: Flask) -> None:
    """Set the headers on every answer and insist on a list of trusted host names.

    Without the list a page anywhere could point its own host name at this machine and read the
    log through the visitor's browser; an empty list would trust every name, so it is refused.
    Raises ValueError where the list is missing or empty.
    """
    if not app.config.get("TRUSTED_HOSTS"):
        raise ValueError("TRUSTED_HOSTS must name at least one host; an empty list trusts all")

    @app.after_request
    def _headers(response: Response) -> Response:
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        second = app.config.get("STOP_PORT")
        if second:  # the stop has a way of its own, past this server's queue
            host = request.host.rsplit(":", 1)[0]
            policy = CONTENT_SECURITY_POLICY.replace(
                "connect-src 'self'", f"connect-src 'self' http://{host}:{second}"
            )
            response.headers["Content-Security-Policy"] = policy
        response.headers.setdefault("Cache-Control", "no-cache")
        return response


def own_names(addresses: list[str]) -> list[str]:
    """Host names under which this machine may be asked when it listens on `addresses`."""
    host = socket.gethostname().lower()
    names = [*LOOPBACK_NAMES, host, f"{host.partition('.')[0]}.local", *addresses]
    return list(dict.fromkeys(name for name in names if name))
