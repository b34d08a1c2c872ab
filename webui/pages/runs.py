# SPDX-License-Identifier: MIT
"""The run log and one run."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Annotated, Any

from flask import Blueprint, Flask, render_template, request
from pydantic import BaseModel, ConfigDict, Field

from rig.core.errors import RigError
from rig.runlog import remarks, search
from rig.text import behaviour
from rig.text.coil_current import calibration_facts, current_sentences
from webui import helptexts, log, words
from webui.charts import timeline
from webui.exercise.seats import hides_truth
from webui.faults import PageFault
from webui.run import figures, run_parts, run_view, skim

ROWS = 40

blueprint = Blueprint("pages", __name__)

Count = Annotated[int, Field(ge=1, le=2**31 - 1)]


Name = Annotated[str, Field(max_length=200)]


class ListQuestion(BaseModel):
    """What may be asked of the run list; anything else is refused. Dates are local days, both
    included; `after` and `mean_ms` say where the page before ended."""

    model_config = ConfigDict(extra="forbid")
    valve: Name | None = None
    job: Name | None = None
    by: Name | None = None
    tag: Name | None = None
    verdict: search.Verdict | None = None
    source: search.Source | None = None
    status: search.Status | None = None
    kind: search.Kind | None = None
    since: date | None = None
    until: date | None = None
    order: search.Order = "newest"
    after: Count | None = None
    mean_ms: Annotated[float, Field(allow_inf_nan=False)] | None = None
    undo: Annotated[str, Field(pattern="^[0-9]{1,9}(,[0-9]{1,9}){0,200}$")] | None = None

    @property
    def sought(self) -> search.Sought:
        """The same for the log."""
        return search.Sought(
            self.valve, self.job, self.by, self.verdict, self.source, self.status, self.kind,
            self.tag, _midnight_s(self.since), _midnight_s(self.until, 1), order=self.order,
        )  # fmt: skip

    @property
    def place(self) -> search.Place | None:
        """Where this page begins."""
        return None if self.after is None else search.Place(self.after, self.mean_ms)

    @property
    def narrowed(self) -> dict[str, str]:
        """What was asked for, without the place in the list."""
        given = self.model_dump(
            exclude_none=True, exclude={"after", "mean_ms", "undo"}, mode="json"
        )
        return {key: str(value) for key, value in given.items() if value != "newest"}


def _midnight_s(day: date | None, days_later: int = 0) -> float | None:
    if day is None:
        return None
    try:
        local = datetime.combine(day + timedelta(days=days_later), datetime.min.time())
        return local.astimezone().timestamp()
    except (OverflowError, ValueError, OSError):
        return None  # a year that no clock of this computer knows: no limit


def asked_of_the_list() -> ListQuestion:
    """The question of this request; a field left empty asks nothing."""
    given = {key: text for key, text in request.args.to_dict().items() if text.strip()}
    return ListQuestion.model_validate(given)


class RunQuestion(BaseModel):
    """What may be asked of a run's page."""

    model_config = ConfigDict(extra="forbid")
    strokes: Count = 1
    only: Annotated[str, Field(pattern="^suspect$")] | None = None
    reveal: Annotated[str, Field(pattern="^simulated$")] | None = None


def install(app: Flask) -> None:
    """Answer a missing log with the page that says how to make the first run."""

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


@blueprint.get("/")
def run_list() -> str:
    """Runs, newest first unless asked otherwise, some at a time."""
    asked = asked_of_the_list()
    opened = log.run_log()
    listed, following = search.find(opened, asked.sought, ROWS, asked.place)
    if not listed and not asked.narrowed and asked.after is None and not asked.undo:
        return render_template("no_log.html", path=None)
    further = None
    if following is not None:
        further = {**asked.narrowed, "after": following.id}
        if asked.order in ("slowest", "fastest"):
            further["mean_ms"] = following.mean_ms
    return render_template(
        "run_list.html",
        listed=listed,
        further=further,
        asked=asked,
        narrowed=asked.narrowed,
        names=search.known(opened),
        orders=search.ORDERS,
        undo=asked.undo.split(",") if asked.undo else [],
    )


@blueprint.get("/runs/<int(max=2147483647):run_id>")
def one_run(run_id: int) -> str:
    """One run: what it was, what came out, its traces, its strokes, its texts."""
    asked = RunQuestion.model_validate(request.args.to_dict())
    view = run_view.open_run(run_id)
    listed = view.suspect if asked.only else view.strokes
    page = listed[asked.strokes - 1 : asked.strokes - 1 + run_view.STROKES_A_PAGE]
    return render_template(
        "run.html",
        view=view,
        stored=view.stored,
        header=view.stored.header,
        result=view.result,
        cards=figures.cards(view.result),
        caveat=figures.caveat(view.result),
        help_page=figures.HELP if figures.HELP in helptexts.names() else None,
        remarks=run_parts.remarks(view.result),
        spreads=run_parts.spreads(view.result),
        columns=run_parts.columns(view.result),
        empty_words=run_parts.empty_words(view.result),
        odd=run_parts.odd_strokes(view.result),
        signals=_signals(view.result),
        current=current_sentences(view.result or {}),
        calibration=list(calibration_facts(view.result or {})),
        ramps=((view.result or {}).get("ramp") or {}).get("ramps"),
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


def _signals(result: dict[str, Any] | None) -> list[tuple[str, str, str]]:
    """What broke a rule of the control charts: figure, rule, strokes."""
    return [
        (figures.SUMMARISED[key].name, signal["rule"], behaviour.strokes(signal["strokes"]))
        for key in run_parts.TIMES
        for signal in (((result or {}).get("charts") or {}).get(key) or {}).get("signals") or ()
    ]


def _recording(view: run_view.RunView) -> dict[str, Any]:
    """What the page needs of the raw records, or why they cannot be shown."""
    try:
        if view.saved is None:
            _ = view.recording  # this says best why they cannot be read
        elif not view.readable:
            raise log.unreadable(view.stored)
        seen = skim.skim(view.stored)
    except (RigError, PageFault, ValueError) as error:
        return {
            "fault": str(error),
            "trip": (view.result or {}).get("trip"),
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
