# SPDX-License-Identifier: MIT
"""Identify an unknown gauge's protocol: `rig gauge --find` on the page."""

from __future__ import annotations

import contextlib
from typing import cast

from flask import Blueprint, current_app, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from rig.actions import find_gauge
from rig.config.files.loading import load_setup
from rig.core.errors import RefusedError, RigError
from webui import access
from webui.faults import PageFault
from webui.work import heavy
from webui.work.gauge_look import GaugeLook

blueprint = Blueprint("gauge", __name__)


def _look() -> GaugeLook:
    return cast(GaugeLook, current_app.extensions["gauge_look"])


def _offered() -> list[find_gauge.Port]:
    """The ports plugged in, then those named by a setup of the page but not plugged in."""
    found = {port.name: port for port in find_gauge.ports()}
    hub = current_app.config["HUB"]
    named: dict[str, list[str]] = {}
    for name, path in ({} if hub is None else hub.files.setups).items():
        with contextlib.suppress(RigError, OSError):
            gauge = load_setup(path).setup.gauge
            if gauge is not None:
                named.setdefault(find_gauge.lasting_name(gauge.port), []).append(name)
    for port, names in named.items():
        what = found[port].what if port in found else "not seen among the ports here"
        whose = f"{what}; in setup {', '.join(names)}".lstrip("; ")
        found[port] = find_gauge.Port(port, whose)
    return list(found.values())


@blueprint.get("/gauge")
def show() -> str:
    """The ports, and the search under way or done; with `part` only the search."""
    template = "_gauge_look.html" if "HX-Request" in request.headers else "gauge.html"
    return render_template(
        template, ports=[] if "HX-Request" in request.headers else _offered(), seen=_look().seen(),
        afterwards=find_gauge.AFTERWARDS,
    )  # fmt: skip


@blueprint.post("/gauge/look")
@access.writer_only
def look() -> AnyResponse:
    """Search one of the ports offered."""
    port = request.form.get("port", "")
    if port not in [one.name for one in _offered()]:
        raise PageFault(
            400, "No such port here", "The port is not among those that are plugged in.",
            "Go back, plug the gauge in, reload the page and choose it.",
        )  # fmt: skip
    heavy.not_beside_a_run()
    try:
        find_gauge.free(port)
    except RefusedError as error:
        raise PageFault(409, "A run uses this port", str(error), "Wait for its end.") from error
    _look().begin(port, may_ask=request.form.get("ask") == "yes")
    return redirect(url_for(".show") + "#look")


@blueprint.post("/gauge/stop")
@access.writer_only
def stop() -> AnyResponse:
    """Release the port."""
    _look().end()
    return redirect(url_for(".show") + "#look")
