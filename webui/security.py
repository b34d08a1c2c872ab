# SPDX-License-Identifier: MIT
"""Security headers of every answer, and the host names that are answered at all."""

from __future__ import annotations

import socket
from collections.abc import Mapping, Sequence
from urllib.parse import urlsplit

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

ONLY_TRUSTED = "Cross-Origin-Opener-Policy"
"""Browsers accept it only over https and from the loopback, and complain about it elsewhere on
every page (HTML Living Standard, cross-origin opener policies: secure contexts)."""
HEADERS = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # not no-referrer: with it a browser sends "Origin: null" with our own stop form
    "Referrer-Policy": "same-origin",
    ONLY_TRUSTED: "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), geolocation=(), microphone=()",  # QR codes of labels
}


def install(app: Flask) -> None:
    """Set the headers on every answer and require a list of trusted host names.

    Without the list any page could point its own host name at this machine and read the log through
    the visitor's browser; an empty list would trust every name, so it is refused. Raises ValueError
    if the list is missing or empty.
    """
    if not app.config.get("TRUSTED_HOSTS"):
        raise ValueError("TRUSTED_HOSTS must name at least one host; an empty list trusts all")

    @app.after_request
    def _headers(response: Response) -> Response:
        second = app.config.get("STOP_PORT")
        host = host_of(request.environ)
        if second and host in app.config["TRUSTED_HOSTS"]:  # the stop's own path, past the queue
            policy = CONTENT_SECURITY_POLICY.replace(
                "connect-src 'self'", f"connect-src 'self' {request.scheme}://{host}:{second}"
            )
            response.headers.setdefault("Content-Security-Policy", policy)  # a view's own stays
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        if not request.is_secure and host not in LOOPBACK_NAMES:
            del response.headers[ONLY_TRUSTED]
        response.headers.setdefault("Cache-Control", "no-cache")
        return response


ANOTHER_SITE = """\
A page of another site asked for this, not the rig's own page: nothing was done.
To stop a run open the rig's own page, or use the mushroom stop.
"""


def host_of(environ: Mapping[str, object]) -> str:
    """The requested host name, without its port."""
    return str(environ.get("HTTP_HOST", "")).rsplit(":", 1)[0].lower()


def foreign_host(names: Sequence[str]) -> str:
    """The answer to an unknown host name."""
    return (
        "This rig does not answer to the host name that was asked for; nothing was done.\n"
        f"It answers to: {', '.join(names)}.\n"
        "Use one of these, or start rig serve with --name and the name you use.\n"
    )


def of_another_site(environ: Mapping[str, object], page_port: int | None = None) -> bool:
    """Whether a browser sent this for a page that is not the rig's own; its host is trusted.

    Browsers say so in Sec-Fetch-Site (W3C Fetch Metadata), to addresses they consider secure: the
    loopback, not a plain address of a network. Otherwise Origin says so (RFC 6454, section 7), with
    every POST. A request with neither does not come from a browser. `page_port`: the page's port,
    if not this one.
    """
    origin, site = environ.get("HTTP_ORIGIN"), environ.get("HTTP_SEC_FETCH_SITE")
    wanted = str(environ.get("HTTP_HOST", "")).lower()
    if page_port is not None:  # another port is another origin of the same site
        wanted = f"{host_of(environ)}:{page_port}"
        if site == "cross-site":
            return True
    elif site is not None:
        return site not in ("same-origin", "none")
    if origin is None:
        return False
    asked = urlsplit(str(origin))
    usual = ":443" if asked.scheme == "https" else ":80"
    return asked.netloc.lower().removesuffix(usual) != wanted.removesuffix(usual)


def own_names(addresses: list[str]) -> list[str]:
    """Host names for this machine when it listens on `addresses`."""
    host = socket.gethostname().lower()
    names = [*LOOPBACK_NAMES, host, f"{host.partition('.')[0]}.local", *addresses]
    return list(dict.fromkeys(name for name in names if name))
