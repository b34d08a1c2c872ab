# SPDX-License-Identifier: MIT
"""The units that a browser shows: its own choice, kept in a cookie, else the setup's."""

from __future__ import annotations

import json
from typing import Any
from urllib.parse import urlsplit

from flask import Blueprint, Flask, current_app, redirect, render_template, request
from werkzeug.wrappers import Response

from rig.core.quantities import QuantityError
from rig.core.reader_units import (
    PRESSURES,
    TEMPERATURES,
    Units,
    of_setup_text,
    read_choice,
    units,
    use,
)
from webui.faults import PageFault

blueprint = Blueprint("units", __name__)

COOKIE = "units"
AS_RECORDED = ("/api/", "/static/", "/stop")
"""What no person reads a quantity in; a stop must not wait for a setup's medium."""
YEAR_S = 365 * 24 * 3600
SHOWN = ("kPa", "kPa/s", "degC", "°C")
"""Units of the program that a page's script may have to put into the reader's."""


def install(app: Flask) -> None:
    """Set the reader's units for each request; what programs read stays as it is recorded."""
    app.register_blueprint(blueprint)
    app.jinja_env.filters["read"] = lambda sentence: units().words(sentence)
    app.jinja_env.globals.update(units_shown=units, units_for_script=for_script)

    @app.before_request
    def _choose() -> None:
        use(None if request.path.startswith(AS_RECORDED) else _chosen() or _of_setups())


def for_script() -> str:
    """For webui/static/js/units.js, by unit of the program: the reader's unit, how many of it make
    one, what it shows at 0, and the digits it needs more."""
    chosen = units()
    table = {
        si: [
            chosen.unit(si), chosen.difference(1.0, si), chosen.value(0.0, si),
            chosen.digits(si, 9) - 9,
        ]
        for si in SHOWN
    }  # fmt: skip
    return json.dumps(table)


def _chosen() -> Units | None:
    try:
        return read_choice(request.cookies[COOKIE])
    except (KeyError, QuantityError):
        return None


def _of_setups() -> Units | None:
    """Of the first setup of this page that has them."""
    hub: Any = current_app.config["HUB"]
    for path in () if hub is None else hub.files.setups.values():
        try:
            found = of_setup_text(path.read_text(encoding="utf-8"))
        except (OSError, ValueError):  # the bench page tells what is wrong with it
            continue
        if found is not None:
            return found
    return None


@blueprint.get("/units")
def show() -> str:
    """The form; it leads back to the page that it was opened from."""
    came = urlsplit(request.referrer or "")
    ours = came.netloc == request.host
    back = _back(came._replace(scheme="", netloc="").geturl() if ours else None)
    return render_template(
        "units.html", back=back, pressures=PRESSURES, temperatures=TEMPERATURES, chosen=units()
    )


@blueprint.post("/units")
def choose() -> Response:
    """Keep the choice in this browser, and go back."""
    asked = ",".join(request.form.get(name, "") for name in ("pressure", "temperature"))
    try:
        chosen = read_choice(asked)
    except QuantityError as error:
        raise PageFault(400, "No such unit", f"{error.what}.", "Choose one of the list.") from error
    answer = redirect(_back(request.form.get("back")), 303)
    answer.set_cookie(
        COOKIE, str(chosen), max_age=YEAR_S, httponly=True, samesite="Lax", secure=request.is_secure
    )
    return answer


def _back(asked: str | None) -> str:
    """A page of ours, never another site's."""
    ours = asked is not None and asked.startswith("/") and asked[1:2] not in ("/", "\\")
    return asked if ours and asked is not None else "/"
