# SPDX-License-Identifier: MIT
"""The parts of the page: one entry each, those in the navigation in its order."""

from __future__ import annotations

from typing import NamedTuple

from flask import Blueprint, Flask, current_app, request, url_for

from webui import helptexts
from webui.api import api, openapi, registers
from webui.exercise import instructor
from webui.live import batch_routes, routes, sheets
from webui.pages import (
    attachments,
    backup,
    commission,
    compare,
    downloads,
    gauge,
    job_work,
    labels,
    lesson,
    register,
    report,
    runs,
    start,
    wiring,
)
from webui.work import captures, logwork


class Part(NamedTuple):
    """A part; with a label it is in the navigation, at its view. `with_bench`: only there if the
    page was started with a setup."""

    blueprint: Blueprint
    view: str = ""
    label: str = ""
    with_bench: bool = False


PARTS = (
    Part(start.blueprint, "page", "Start"),
    Part(routes.blueprint, "show", "Bench", with_bench=True),
    Part(runs.blueprint, "run_list", "Run log"),
    Part(register.valves, "register", "Valves"),
    Part(register.jobs, "register", "Jobs"),
    Part(compare.blueprint, "page", "Compare"),
    Part(lesson.blueprint, "start", "Lesson"),
    Part(instructor.blueprint, "start", "Exercise", with_bench=True),
    Part(wiring.blueprint, "show", "Wiring"),
    Part(commission.blueprint, "show", "Commissioning"),
    Part(helptexts.blueprint, "index", "Help"),
    Part(sheets.blueprint, with_bench=True),
    Part(batch_routes.blueprint, with_bench=True),
    Part(attachments.blueprint),
    Part(backup.blueprint),
    Part(captures.blueprint),
    Part(logwork.blueprint),
    Part(openapi.blueprint),
    Part(api.blueprint),
    Part(registers.blueprint),
    Part(downloads.blueprint),
    Part(job_work.blueprint),
    Part(report.blueprint),
    Part(labels.blueprint),
    Part(gauge.blueprint),
)


def install(app: Flask) -> None:
    """Register every part there is."""
    for part in PARTS:
        if not part.with_bench or app.config["HUB"] is not None:
            app.register_blueprint(part.blueprint)
    app.jinja_env.globals["navigation"] = navigation


def navigation() -> list[tuple[str, str, bool]]:
    """Address, label and whether it is the current one, for each part in the navigation."""
    here = (request.endpoint or "").partition(".")[0]
    return [
        (url_for(f"{part.blueprint.name}.{part.view}"), part.label, part.blueprint.name == here)
        for part in PARTS
        if part.label and part.blueprint.name in current_app.blueprints
    ]
