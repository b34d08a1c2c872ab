# SPDX-License-Identifier: MIT
"""Seats: which seat this browser has, and what is hidden from it.

A seat is opened by its own cookie, not by the session, whose key is new at every start: students
keep their seats when the page is restarted.
"""

from __future__ import annotations

from pathlib import Path
from typing import cast

from flask import Flask, current_app, g, has_request_context, request
from werkzeug.wrappers import Response

from rig.actions.exercise.store import Exercises, Seated
from rig.runlog.store import StoredRun
from webui.access import Tries
from webui.exercise.waiting_runs import WaitingRuns
from webui.live.hub import LOOKING

COOKIE, KEPT_S = "rig-seat", 24 * 3600
JOINS, ALL_JOINS = 10, 200
"""Seats taken within a minute, from one address and in total: one machine cannot take them all
before somebody notices, and a class behind one access point is seated in a few minutes."""
HIDDEN = "this run belongs to an exercise that goes on"


def install(app: Flask) -> None:
    """The queue of runs, and the wrong codes; without a hub no run can be requested."""
    app.extensions["wrong_codes"] = Tries()
    app.extensions["seats_taken"] = Tries(of_one=JOINS, in_all=ALL_JOINS)
    hub = app.config["HUB"]
    app.extensions["waiting_runs"] = WaitingRuns(
        Path(app.config["RUN_LOG"]), lambda: hub is not None and (hub.busy or hub.phase == LOOKING)
    )


def store() -> Exercises:
    """The exercises stored beside this page's log."""
    return Exercises.beside(Path(current_app.config["RUN_LOG"]))


def waiting_runs() -> WaitingRuns:
    """The queue, including runs left over from before the page started."""
    found = cast(WaitingRuns, current_app.extensions["waiting_runs"])
    found.take_up()
    return found


def wrong_codes() -> Tries:
    """Attempts with unknown codes, per address."""
    return cast(Tries, current_app.extensions["wrong_codes"])


def taken() -> Tries:
    """Seats taken, per address."""
    return cast(Tries, current_app.extensions["seats_taken"])


def seat_here() -> Seated | None:
    """This browser's seat; None if it has none (any more), or if no browser is asking: whatever is
    made outside a request hides what is hidden."""
    if not has_request_context():
        return None
    if "seat" not in g:
        g.seat = store().opened_by(request.cookies.get(COOKIE, ""))
    return cast(Seated | None, g.seat)


def keep(answer: Response, seat: Seated, key: str) -> Response:
    """Give this browser its seat's key."""
    answer.set_cookie(
        COOKIE, f"{seat.id}.{key}", max_age=KEPT_S, httponly=True, samesite="Strict",
        secure=request.is_secure,
    )  # fmt: skip
    return answer


def leave(answer: Response) -> Response:
    """Take the key away."""
    answer.delete_cookie(COOKIE, httponly=True, samesite="Strict", secure=request.is_secure)
    return answer


def as_shown(stored: StoredRun) -> StoredRun:
    """A run as the current viewer may see it."""
    seat = seat_here() if stored.header.source == "simulated" else None
    return store().without_seed(stored, None if seat is None else seat.id)


def hides_truth(stored: StoredRun) -> bool:
    """Whether the current viewer has yet to find this run's fault."""
    if stored.header.source != "simulated":
        return False
    seat = seat_here()
    return store().hides(stored.header.uid, None if seat is None else seat.id)
