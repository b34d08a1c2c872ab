# SPDX-License-Identifier: MIT
"""The run log and one run."""

from __future__ import annotations

import time
from typing import Annotated, Any

from flask import Blueprint, Flask, render_template, request
from pydantic import BaseModel, ConfigDict, Field

from rig.core.errors import RigError
from rig.core.figures import figures_of
from rig.core.json_values import JsonObject
from rig.core.results.run import Result
from rig.runlog import remarks, search, views
from rig.runlog.register import JOB, number_of
from rig.text import behaviour
from rig.text.coil_current import calibration_facts, current_sentences
from rig.text.rounded import MEAN_LEAST
from rig.text.words import local_minute
from webui import log, words
from webui.charts import timeline
from webui.exercise.seats import hides_truth
from webui.faults import PageFault
from webui.pages import listing
from webui.pages.listing import Count
from webui.run import figures, run_parts, run_view, skim

ROWS = 40
ORDER_WORDS: dict[search.Order, str] = {
    "newest": "newest first",
    "oldest": "oldest first",
    "slowest": "slowest response first",
    "fastest": "fastest response first",
    "highest": "longest single response first",
    "lowest": "smallest longest response first",
    "slowest_release": "slowest release first",
    "fastest_release": "fastest release first",
    "most_missed": "most missed strokes first",
    "fewest_missed": "fewest missed strokes first",
    "hottest": "hottest oil first",
    "coldest": "coldest oil first",
    "valve_up": "valves from A to Z",
    "valve_down": "valves from Z to A",
}

blueprint = Blueprint("pages", __name__)


class RunQuestion(BaseModel):
    """Options of a run's page."""

    model_config = ConfigDict(extra="forbid")
    strokes: Count = 1
    only: Annotated[str, Field(pattern="^suspect$")] | None = None
    reveal: Annotated[str, Field(pattern="^simulated$")] | None = None


def install(app: Flask) -> None:
    """Answer a missing log with the page that explains how to make the first run."""

    @app.errorhandler(log.NoLogYet)
    def _no_log(error: log.NoLogYet) -> Any:
        status = 200 if request.endpoint == "pages.run_list" else 404
        if request.path.startswith("/api/"):
            return app.json.response(
                error="No run log",
                what=f"There is no run log at {error.path} yet.",
                remedy="rig run makes it.",
            ), 404
        return render_template("no_log.html", path=error.path), status


@blueprint.get("/runs")
def run_list() -> str:
    """Runs, newest first unless asked otherwise, paged."""
    asked = listing.asked_of_the_list()
    opened = log.run_log()
    listed, following = search.find(opened, asked.sought, ROWS, asked.place)
    if not listed and not asked.narrowed and asked.after is None and not asked.undo:
        return render_template("no_log.html", path=None)
    further = None
    if following is not None:
        further = {**asked.asked, "after": following.id}
        if following.value is not None:
            further["value"] = following.value
    return render_template(
        "run_list.html",
        listed=listed,
        near=search.near_valves(opened, asked.valve) if asked.valve and not listed else [],
        further=further,
        asked=asked,
        narrowed=asked.narrowed,
        shown=asked.shown(listed),
        run_column=listing.RUN,
        columns=listing.COLUMNS,
        names=search.known(opened),
        order_words=ORDER_WORDS,
        mean_least=MEAN_LEAST,
        this_year=local_minute(time.time())[:4],
        views=views.kept(opened),
        undo=asked.undo.split(",") if asked.undo else [],
    )


@blueprint.get("/runs/<int(max=2147483647):run_id>")
def one_run(run_id: int) -> str:
    """One run: identity, result, traces, strokes, texts."""
    asked = RunQuestion.model_validate(request.args.to_dict())
    view = run_view.open_run(run_id)
    listed = view.suspect if asked.only else view.strokes
    job = view.stored.header.job
    page = listed[asked.strokes - 1 : asked.strokes - 1 + run_view.STROKES_A_PAGE]
    return render_template(
        "run.html",
        view=view,
        stored=view.stored,
        header=view.stored.header,
        result=view.result,
        job=number_of(log.run_log(), JOB, job) if job else None,
        cards=figures.cards(view.result),
        caveat=figures.caveat(view.result),
        remarks=run_parts.remarks(view.result),
        spreads=run_parts.spreads(view.result),
        columns=run_parts.columns(view.result),
        empty_words=run_parts.empty_words(view.result),
        odd=run_parts.odd_strokes(view.result),
        signals=_signals(view.result),
        current=current_sentences(view.result) if view.result else [],
        calibration=list(calibration_facts(view.result)) if view.result else [],
        ramps=view.result["ramp"]["ramps"] if view.result and view.result["ramp"] else None,
        ramp_figures=figures_of("ramp").values(),
        across=words.unreal(view.stored.header.source),
        recording=_recording(view),
        page=page,
        mark_key=view.mark_key(page),
        every_mark=view.every_mark,
        setup_text=run_view.shown_setup(
            view.stored.header.setup_text,
            whole=bool(asked.reveal),
            locked=hides_truth(view.stored),
        ),
        first=asked.strokes,
        listed=len(listed),
        only=asked.only,
        a_page=run_view.STROKES_A_PAGE,
        written=remarks.of_run(log.run_log(), run_id),
    )


def _signals(result: Result | None) -> list[tuple[str, str, str]]:
    """What broke a rule of the control charts: figure, rule, strokes."""
    return [
        (figure.title, signal["rule"], behaviour.strokes(signal["strokes"]))
        for key, figure in figures_of("strokes").items()
        if result and (chart := result["charts"].get(key))
        for signal in chart["signals"]
    ]


def _recording(view: run_view.RunView) -> JsonObject:
    """What the page needs from the raw records, or why they cannot be shown."""
    try:
        if view.saved is None:
            _ = view.recording  # this explains best why they cannot be read
        elif not view.readable:
            raise log.unreadable(view.stored)
        seen = skim.skim(view.stored)
    except (RigError, PageFault, ValueError) as error:
        return {
            "fault": str(error),
            "trip": view.result["trip"] if view.result else None,
            "doubts": [],
            "strokes": len(view.strokes),
        }
    shown = seen.conditions[: timeline.MAX_MARKS]
    return {
        "fault": "",
        "trip": run_view.trip_json(seen.ms, seen.trips[0]) if seen.trips else None,
        "doubts": [(seen.ms(c.t_ns), c.kind, c.detail) for c in shown],
        "more_doubts": len(seen.conditions) - len(shown),
        "strokes": seen.strokes,
        "drawn": seen.last,
        "readback": seen.readback,
    }
