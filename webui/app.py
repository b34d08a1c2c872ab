# SPDX-License-Identifier: MIT
"""The application factory."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from flask import Flask
from flask.json.provider import JSONProvider

from rig import __version__
from rig.core.places import log_path
from webui import access, faults, log, navigation, reader_units, security, words
from webui.exercise import seats
from webui.live import routes
from webui.pages import attachments, backup, lesson, runs
from webui.work import captures, gauge_look

FORM_MOST = 64 * 1024
"""Bytes of a form; a view that accepts files sets its own limit."""


def create_app(config: Mapping[str, object] | None = None) -> Flask:
    """Create the page as a WSGI application.

    `config` may set RUN_LOG (path of the run log, default: the user's), TRUSTED_HOSTS (host names
    that are answered, default: the loopback's), HUB (webui.live.hub; without one the page shows the
    log alone), STOP_PORT (additional port that accepts a stop), PASSCODE_HASH, and Flask's own
    keys. Raises ValueError for an empty TRUSTED_HOSTS.
    """
    app = Flask(__name__)
    app.json = FiniteJSON(app)
    app.config.update(
        RUN_LOG=None,
        TRUSTED_HOSTS=list(security.LOOPBACK_NAMES),
        MAX_CONTENT_LENGTH=FORM_MOST,  # a route that accepts files sets its own limit
        HUB=None,
        STOP_PORT=None,
        PAGE_PORT=None,
    )
    app.config.from_mapping(config or {})
    if app.config["RUN_LOG"] is None:
        app.config["RUN_LOG"] = log_path()
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.globals["software"] = __version__
    security.install(app)
    access.install(app)
    log.install(app)
    faults.install(app)
    words.install(app)
    reader_units.install(app)
    runs.install(app)
    lesson.install(app)
    attachments.install(app)
    backup.install(app)
    seats.install(app)
    if app.config["HUB"] is not None:
        routes.install(app, app.config["HUB"])
    captures.install(app)
    gauge_look.install(app)
    navigation.install(app)
    return app


class FiniteJSON(JSONProvider):
    """JSON per RFC 8259: a number that is not finite becomes null."""

    def dumps(self, obj: object, **kwargs: Any) -> str:
        kwargs.setdefault("separators", (",", ":"))
        return json.dumps(finite(obj), allow_nan=False, **kwargs)

    def loads(self, s: str | bytes, **kwargs: Any) -> Any:
        return json.loads(s, **kwargs)


def finite(value: object) -> object:
    """The value with every NaN and infinity replaced by None."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [finite(item) for item in value]
    return value
