# SPDX-License-Identifier: MIT
"""Errors as plain pages, or as JSON under /api/: what happened and how to fix it."""

from __future__ import annotations

import re

from flask import Flask, Response, jsonify, make_response, render_template, request
from pydantic import ValidationError
from werkzeug.exceptions import HTTPException, NotFound, SecurityError

from rig.core.errors import RigError
from rig.core.message_ids import message_id
from webui import security

REMEDIES = {
    400: "Check the address that was typed, or go back to the run log.",
    404: "Go back to the run log, or to the help.",
    405: "Go to the page that has the form. What was typed may have to be typed anew.",
    413: "Go back, and send less at once.",
    500: "Reload the page. If it stays, the terminal of rig serve says more.",
}
WORDS = {
    405: (
        "This address does something else",
        "Some addresses only show a page, others only take what a form sends.",
    ),
    413: ("Too much was sent at once", "More than this form takes; nothing was written."),
}
"""Of an error of the library, for people: title, and what happened."""

OF_A_RIG = ("bench", "exercise")
NO_RIG = (
    "Bench and Exercise need a setup and a sheet, a simulated one for an exercise.",
    "End rig serve and start it anew: `rig serve --setup FILE --sheet FILE`.",
)
"""What happened, and how to fix it."""


class PageFault(Exception):
    """An error the user can fix: `what` happened and its `remedy`."""

    def __init__(self, status: int, title: str, what: str, remedy: str, id_: str = "") -> None:
        self.status, self.title, self.what, self.remedy = status, title, what, remedy
        self.id = id_ or message_id("fault", re.sub(r"\d+", "", title))
        super().__init__(what)


def install(app: Flask) -> None:
    """Register handlers that answer every error with its status, in words."""

    @app.errorhandler(PageFault)
    def _mendable(fault: PageFault) -> Response:
        return _answer(fault)

    @app.errorhandler(RigError)
    def _ours(error: RigError) -> Response:
        return _answer(PageFault(500, "This cannot be shown", str(error), REMEDIES[500], error.id))

    @app.errorhandler(ValidationError)
    def _question(error: ValidationError) -> Response:
        what = "; ".join(f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors())
        return _answer(PageFault(400, "The question was not understood", what, REMEDIES[400]))

    @app.errorhandler(SecurityError)
    def _foreign(_error: SecurityError) -> Response:
        # No page for an unknown host name: it may be another site's, pointed at this machine.
        words = security.foreign_host(app.config["TRUSTED_HOSTS"])
        return Response(words, status=400, mimetype="text/plain")

    @app.errorhandler(HTTPException)
    def _http(error: HTTPException) -> Response:
        status = error.code or 500
        remedy = REMEDIES.get(status, REMEDIES[400])
        if error.description == NotFound.description:
            if request.path.split("/")[1] in OF_A_RIG and app.config["HUB"] is None:
                return _answer(PageFault(404, "This page was started without a rig", *NO_RIG))
            what = "This page has no such address. It may have been renamed."
            return _answer(PageFault(404, "There is no such page", what, remedy))
        title, what = WORDS.get(status, (error.name, error.description or ""))
        response = _answer(PageFault(status, title, what, remedy))
        if allowed := getattr(error, "valid_methods", None):
            response.headers["Allow"] = ", ".join(allowed)
        return response


def _answer(fault: PageFault) -> Response:
    if request.path.startswith("/api/"):
        return make_response(
            jsonify(id=fault.id, error=fault.title, what=fault.what, remedy=fault.remedy),
            fault.status,
        )
    return make_response(render_template("fault.html", fault=fault), fault.status)
