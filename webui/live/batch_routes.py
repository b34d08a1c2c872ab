# SPDX-License-Identifier: MIT
"""The batch list, saved and put away on the bench page."""

from __future__ import annotations

from pathlib import Path

from flask import Blueprint, current_app, redirect, request, url_for
from werkzeug.wrappers import Response

from rig.core.errors import StorageError, UsageError
from webui import access
from webui.live import batch, routes, stream

blueprint = Blueprint("batch", __name__)

CHOSEN = ("of_setup", "of_sheet")
"""What the valves of the list are tested with."""


@blueprint.post("/bench/batch")
@access.operator_only
def keep() -> Response | tuple[str, int]:
    """Save a batch's list, replacing the previous one."""
    form = request.form
    given = {name: form.get(name, "").strip() for name in ("tags", "first", "count", *CHOSEN)}
    files = stream.hub().files
    try:
        tags = batch.tags_of(given["tags"], given["first"], given["count"])
        setup, sheet = (given[name] for name in CHOSEN)
        if setup and setup not in files.setups:
            raise UsageError(f'There is no setup "{setup:.60}" here. Choose one of the list.')
        if sheet:
            files.sheet_path(sheet)
        batch.keep(_log_path(), tags, setup, sheet)
    except UsageError as error:
        wrong = [routes.said(line) for line in str(error).splitlines()]
        return routes.bench_page(problems=wrong, batch_given=given), 422
    return redirect(url_for("bench.show", twice=batch.twice(given["tags"]), _anchor="batch"), 303)


@blueprint.post("/bench/batch/end")
@access.operator_only
def end() -> Response | tuple[str, int]:
    """Put the list away; its runs stay in the log."""
    try:
        batch.end(_log_path())
    except StorageError as error:
        return routes.bench_page(problems=[routes.said(str(error))]), 500
    return redirect(url_for("bench.show"), 303)


@blueprint.post("/bench/batch/again")
@access.operator_only
def again() -> Response | tuple[str, int]:
    """Resume one of the lists put away."""
    try:
        batch.take_up(_log_path(), request.form.get("list", batch.ENDED_FILES[0]))
    except StorageError as error:
        return routes.bench_page(problems=[routes.said(str(error))]), 500
    return redirect(url_for("bench.show", _anchor="batch"), 303)


def _log_path() -> Path:
    return Path(current_app.config["RUN_LOG"])
