# SPDX-License-Identifier: MIT
"""The parts of the page, in the order of its navigation."""

from __future__ import annotations

from flask import current_app, request, url_for

PARTS = (
    ("start.page", "Start"),
    ("bench.show", "Bench"),
    ("pages.run_list", "Run log"),
    ("valves.register", "Valves"),
    ("jobs.register", "Jobs"),
    ("compare.page", "Compare"),
    ("lesson.start", "Lesson"),
    ("exercise.start", "Exercise"),
    ("wiring.show", "Wiring"),
    ("commission.show", "Commissioning"),
    ("help.index", "Help"),
)
"""View and label. A part is in the navigation if its view exists."""


def navigation() -> list[tuple[str, str, bool]]:
    """Address, label and whether it is the current one, for each part there is."""
    here = (request.endpoint or "").partition(".")[0]
    return [
        (url_for(endpoint), word, endpoint.partition(".")[0] == here)
        for endpoint, word in PARTS
        if endpoint in current_app.view_functions
    ]
