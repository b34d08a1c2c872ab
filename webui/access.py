# SPDX-License-Identifier: MIT
"""Access control: everybody sees, one operator operates, anybody stops.

On the loopback the account that owns the data folder may operate, since it alone can open the
bench's socket (mode 0600). Any other account of this computer, and any browser on a network, may
write only after entering the passcode; until then it is read-only. One browser at a time has the
controls; another must take them over explicitly, and the takeover is reported. Without a
certificate nothing is encrypted: the passcode then guards against mistakes, not against an attacker
listening on the network.
"""

from __future__ import annotations

import functools
import hmac
import math
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import ParamSpec, TypeVar, cast

from flask import (
    Blueprint,
    Flask,
    current_app,
    g,
    redirect,
    render_template,
    request,
    session,
    url_for,
)
from werkzeug.security import check_password_hash, generate_password_hash
from werkzeug.wrappers import Response

from webui import local_peer
from webui.faults import PageFault

P = ParamSpec("P")
R = TypeVar("R")

blueprint = Blueprint("access", __name__)

PASSCODE_FILE = "page.passcode"
SHORTEST = 6
NO_PASSCODE = "none was set"
"""Stands in for a hash: no passcode matches, so nothing can be changed over a network."""
OTHER_ACCOUNT = (
    "This browser belongs to another account of the rig's computer, or comes over a network, and "
    "no passcode was set."
)
SET_ONE = (
    "At the rig end rig serve, set a passcode with `rig serve --set-passcode`, and start it again."
)
TRIES, TRIES_WITHIN_S = 5, 60.0
ALL_TRIES = 20
"""Wrong passcodes from all addresses together within the same time."""
FORWARDED = ("Forwarded", "X-Forwarded-For", "Via")
"""A request with one of these came through another program, whose account says nothing."""
SAFE_METHODS = ("GET", "HEAD", "OPTIONS")
_EXEMPT, _TAKES = "_without_token", "_takes_bytes"


class Controls:
    """Which browser has the controls. A random number in the session identifies a browser."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.operator: str | None = None
        self.since = 0.0

    def take(self, who: str) -> bool:
        """Give the controls to `who`; return whether another browser had them."""
        with self._lock:
            had = self.operator not in (None, who)
            self.operator, self.since = who, time.monotonic()
            return had

    def give_back(self, who: str) -> None:
        with self._lock:
            if self.operator == who:
                self.operator = None


class Tries:
    """Wrong passcodes, per address and in total; after a few, everybody waits."""

    def __init__(self, of_one: int = TRIES, in_all: int = ALL_TRIES) -> None:
        self._of_one, self._in_all = of_one, in_all
        self._lock = threading.Lock()
        self._wrong: deque[tuple[float, str]] = deque(maxlen=1000)

    def wait_s(self, address: str) -> float:
        """Seconds this address must wait; 0 if it may try."""
        now = time.monotonic()
        with self._lock:
            while self._wrong and now - self._wrong[0][0] > TRIES_WITHIN_S:
                self._wrong.popleft()
            own = [at for at, who in self._wrong if who == address]
            if len(own) >= self._of_one or len(self._wrong) >= self._in_all:
                oldest = own[0] if len(own) >= self._of_one else self._wrong[0][0]
                return max(0.0, TRIES_WITHIN_S - (now - oldest))
            return 0.0

    def wrong(self, address: str) -> int:
        """Note a wrong one; return how many more this address may try before it must wait."""
        with self._lock:
            self._wrong.append((time.monotonic(), address))
            own = sum(who == address for _, who in self._wrong)
            return max(0, min(self._of_one - own, self._in_all - len(self._wrong)))


def set_passcode(folder: Path, passcode: str) -> None:
    """Store the passcode's hash, readable by this user alone. Raises ValueError for a short
    passcode."""
    if len(passcode) < SHORTEST:
        raise ValueError(f"a passcode has at least {SHORTEST} characters")
    path = folder / PASSCODE_FILE
    path.touch(mode=0o600)
    path.chmod(0o600)
    path.write_text(generate_password_hash(passcode) + "\n")


def passcode_hash(folder: Path) -> str | None:
    """The stored hash; None if none was set."""
    try:
        return (folder / PASSCODE_FILE).read_text().strip() or None
    except OSError:
        return None


def install(app: Flask) -> None:
    """Set up sessions, and a token on everything that changes something.

    Config: PASSCODE_HASH (None: no passcode needed); OWNER (an account that needs none when it
    connects directly over the loopback, None: no such account) with LISTENS_AT, the server's own
    address and port.
    """
    for name in ("PASSCODE_HASH", "OWNER", "LISTENS_AT"):
        app.config.setdefault(name, None)
    app.config.update(
        SECRET_KEY=app.config.get("SECRET_KEY") or secrets.token_bytes(32),
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Strict",
        SESSION_COOKIE_NAME="rig",
    )
    app.extensions["controls"], app.extensions["tries"] = Controls(), Tries()
    app.register_blueprint(blueprint)
    app.jinja_env.globals.update(
        csrf_token=token, may_write=may_write, is_operator=is_operator, somebody_operates=occupied
    )

    @app.before_request
    def _token() -> None:
        if request.method in SAFE_METHODS or request.endpoint is None:
            return
        view = app.view_functions.get(request.endpoint)
        if getattr(view, _EXEMPT, False):
            return
        most = getattr(view, _TAKES, None)
        if most is not None:  # before any of it is read
            if not may_write():
                raise only_to_look()
            request.max_content_length = most
        sent = request.headers.get("X-CSRF") or request.form.get("csrf") or ""
        if not (
            session.get("csrf")
            and hmac.compare_digest(sent.encode(), str(session["csrf"]).encode())
        ):
            raise PageFault(
                403,
                "This page has expired",
                "What was sent does not carry this page's token: the rig's page was restarted, or "
                "another page sent it.",
                "Load the page anew and do it again.",
            )


def token() -> str:
    """This browser session's token, made on first use."""
    if "csrf" not in session:
        session["csrf"] = secrets.token_urlsafe(24)
    return cast(str, session["csrf"])


def without_token(view: Callable[P, R]) -> Callable[P, R]:
    """Mark a view that anyone may post to: only for what makes the rig safer."""
    setattr(view, _EXEMPT, True)
    return view


def takes(most: int) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Mark a view that accepts up to this many bytes from a browser that may write."""

    def mark(view: Callable[P, R]) -> Callable[P, R]:
        setattr(view, _TAKES, most)
        return view

    return mark


def who() -> str:
    """This browser's identity."""
    if "who" not in session:
        session["who"] = secrets.token_urlsafe(16)
    return cast(str, session["who"])


def may_write() -> bool:
    """Whether this browser may change anything: the owner's, or one that gave the passcode."""
    wanted = current_app.config["PASSCODE_HASH"]
    return wanted is None or session.get("passcode") is True or _is_owner()


def _is_owner() -> bool:
    """Whether the owner's account is at the other end. Checked on each connection and never stored
    in the session: a cookie can be carried to another account."""
    owner, here = current_app.config["OWNER"], current_app.config["LISTENS_AT"]
    if owner is None or here is None or any(name in request.headers for name in FORWARDED):
        return False
    if "peer_uid" not in g:
        port = int(request.environ.get("REMOTE_PORT") or 0)
        g.peer_uid = local_peer.uid_of((request.remote_addr or "0.0.0.0", port), here)  # noqa: S104
    return bool(g.peer_uid == owner)


def is_operator() -> bool:
    """Whether this browser has the controls."""
    return took_controls() and may_write()


def took_controls() -> bool:
    """Like `is_operator`, but without looking up the account at the other end, which is slow when
    the kernel has very many sockets. For display only, never to allow anything."""
    return bool(controls().operator == session.get("who", ""))


def occupied() -> bool:
    """Whether another browser has the controls."""
    return controls().operator not in (None, session.get("who", ""))


def controls() -> Controls:
    """Who has the controls."""
    return cast(Controls, current_app.extensions["controls"])


def only_to_look() -> PageFault:
    """Message for a browser that may not write, with how to gain access."""
    what = "This browser has not given the passcode."
    remedy = "Give it under Take the controls, then do this again."
    if current_app.config["PASSCODE_HASH"] == NO_PASSCODE:
        what, remedy = OTHER_ACCOUNT, SET_ONE
    return PageFault(403, "Read-only", what, remedy)


def writer_only(view: Callable[P, R]) -> Callable[P, R]:
    """Require a browser that may write: notes, tags, imports, deleting."""

    @functools.wraps(view)
    def checked(*words: P.args, **more: P.kwargs) -> R:
        if not may_write():
            raise only_to_look()
        return view(*words, **more)

    return checked


def operator_only(view: Callable[P, R]) -> Callable[P, R]:
    """Require the browser that has the controls: for everything that can end in an energised
    coil."""

    @functools.wraps(view)
    @writer_only
    def checked(*words: P.args, **more: P.kwargs) -> R:
        if not is_operator():
            raise PageFault(
                403,
                "Somebody else has the controls" if occupied() else "Nobody has the controls",
                "Only the browser with the controls operates the rig. Stop works from everywhere.",
                "Take the controls on the bench page, once it is clear who stands at the rig.",
            )
        return view(*words, **more)

    return checked


@blueprint.get("/controls")
def ask() -> str:
    """Show the passcode form, if one is needed, and the controls."""
    if may_write():
        return render_template("controls.html", wanted=False)
    return _none_set() or render_template("controls.html", wanted=True)


def _none_set() -> str | None:
    """The page for a browser that needs a passcode where none was set."""
    if current_app.config["PASSCODE_HASH"] != NO_PASSCODE:
        return None
    words = f"{OTHER_ACCOUNT} {SET_ONE}"
    return render_template("controls.html", wanted=True, none_set=True, wrong=words)


@blueprint.post("/controls")
def take() -> Response | str | tuple[str, int] | tuple[str, int, dict[str, str]]:
    """Take the controls, with the passcode if one is needed."""
    tries = cast(Tries, current_app.extensions["tries"])
    address = request.remote_addr or ""
    if not may_write():
        none_set = _none_set()
        if none_set:
            return none_set, 403
        wait_s = tries.wait_s(address)
        if wait_s:
            return _to_wait(wait_s)
        wanted = str(current_app.config["PASSCODE_HASH"])
        if not check_password_hash(wanted, request.form.get("passcode", "")):
            left = tries.wrong(address)
            if not left:
                return _to_wait(tries.wait_s(address))
            words = f"Wrong passcode. {left} more, then you have to wait up to a minute."
            return render_template("controls.html", wanted=True, wrong=words), 403
        session["passcode"] = True  # the session key is new at every start
    if occupied() and request.form.get("take_over") != "yes":
        asked = request.form.get("asked") == "yes"  # the tick box was shown
        wrong = "Nothing was taken: tick Take them over first." if asked else None
        return render_template("controls.html", wanted=False, wrong=wrong), 409 if asked else 200
    controls().take(who())
    return redirect(_bench())


def _to_wait(wait_s: float) -> tuple[str, int, dict[str, str]]:
    seconds = str(math.ceil(wait_s))
    words = f"Too many wrong passcodes. Wait {seconds} s, then give it again. Forgotten? {SET_ONE}"
    page = render_template("controls.html", wanted=True, wrong=words)
    return page, 429, {"Retry-After": seconds}


def _bench() -> str:
    return url_for("bench.show") if "bench.show" in current_app.view_functions else "/"


@blueprint.post("/controls/back")
def give_back() -> Response:
    """Give the controls back."""
    controls().give_back(who())
    return redirect(_bench())


def facts() -> dict[str, object]:
    """Access facts for a page's script."""
    return {"operator": is_operator(), "may_write": may_write(), "occupied": occupied()}
