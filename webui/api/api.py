# SPDX-License-Identifier: MIT
"""JSON for the plots and for other read-only programs. NaN never leaves: it becomes null."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Literal

import numpy as np
from flask import Blueprint, Response, jsonify, request
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from rig.analysis.measure.stroke_windows import stroke_windows
from rig.core.clock import NS_PER_MS
from rig.core.figures import figures_of
from rig.core.json_values import JsonObject
from rig.core.recording import Recording
from rig.core.results.run import Stroke, figure_of
from rig.runlog import search
from rig.runlog.rows import RunRow
from webui import log
from webui.api.models import OverlayAnswer, RunAnswer, StrokesAnswer, StrokeShown, TracesAnswer
from webui.api.openapi import described
from webui.charts import decimate, overlay, strokes, timeline
from webui.faults import PageFault
from webui.pages.listing import Count, ListQuestion
from webui.run import run_parts, run_view

blueprint = Blueprint("api", __name__, url_prefix="/api")

Milliseconds = Annotated[float, Field(ge=0, le=1e12, allow_inf_nan=False)]


class RunsQuestion(ListQuestion):
    """`limit` of the matching runs; `before` is `after` for newest first."""

    limit: Annotated[int, Field(ge=1, le=200)] = 50
    before: Count | None = None


class RunFacts(BaseModel):
    """A run of the list; unknown values are null."""

    run: int
    source: str
    status: str
    started_utc_s: float
    clock_synchronised: bool | None
    valve: str | None
    job: str | None
    by: str | None
    mount: int | None
    kind: str | None
    strokes: int | None
    verdict: str | None
    response_mean_ms: float | None
    response_n: int | None
    response_max_ms: float | None
    release_mean_ms: float | None
    release_n: int | None
    missed: int | None
    oil_temperature_degc: float | None
    purpose: str
    tags: list[str]


class RunsAnswer(BaseModel):
    """A page of runs. `next_before`, and `next_value` where the order is not by number, ask for the
    following ones; null at the end. `next_mean_ms` is `next_value` of an order by response."""

    runs: list[RunFacts]
    next_before: int | None
    next_mean_ms: float | None
    next_value: float | str | None


class TracesQuestion(BaseModel):
    """A window of the time axis, or one stroke; the whole run without either."""

    model_config = ConfigDict(extra="forbid")
    from_ms: Milliseconds | None = None
    to_ms: Milliseconds | None = None
    stroke: Count | None = None


def row_facts(row: RunRow) -> JsonObject:
    """A row of the list by the names of RunFacts."""
    facts = asdict(row)
    facts.pop("sheet")  # for the list only
    return {"run": facts.pop("id"), **facts}


@blueprint.get("/runs")
@described(RunsQuestion, RunsAnswer)
def runs() -> Response:
    """Runs, newest first unless asked otherwise; `next_before` asks for the following ones."""
    given = {key: text for key, text in request.args.to_dict().items() if text.strip()}
    asked = RunsQuestion.model_validate(given)
    place = asked.place
    if place is None and asked.before is not None:
        place = search.Place(asked.before, asked.mean_ms if asked.value is None else asked.value)
    listed, following = search.find(log.run_log(), asked.sought, asked.limit, place)
    facts = [RunFacts(**row_facts(row), tags=list(tags)) for row, tags in listed]
    value = following.value if following else None
    by_response = asked.order in ("slowest", "fastest")
    answer = RunsAnswer(
        runs=facts,
        next_before=following.id if following else None,
        next_mean_ms=float(value) if by_response and value is not None else None,
        next_value=value,
    )
    return jsonify(answer.model_dump())


@blueprint.get("/runs/<int(max=2147483647):run_id>")
@described(answer=RunAnswer)
def one_run(run_id: int) -> Response:
    """One run: header, state, result."""
    return jsonify(run_view.open_run(run_id).facts())


@blueprint.get("/runs/<int(max=2147483647):run_id>/traces")
@described(TracesQuestion, TracesAnswer)
def traces(run_id: int) -> Response:
    """Lanes and channels of a window, at most 5,000 points each."""
    asked = TracesQuestion.model_validate(request.args.to_dict())
    view = run_view.open_run(run_id)
    recording = view.recording
    from_ns, to_ns = recording.t0_ns, timeline.last_ns(recording)
    shown = None
    if asked.stroke is not None:
        times = strokes.times(recording, asked.stroke)
        if times is None:
            raise PageFault(
                404,
                f"There is no stroke {asked.stroke}",
                f"Run {run_id} has {len(stroke_windows(recording))} strokes.",
                "Choose one of them.",
            )
        figures = view.stroke(asked.stroke)
        release_ms = figures["release_ms"] if figures else None
        from_ns, to_ns = strokes.window(recording, times, release_ms)
        shown = _stroke_json(recording, times, figures)
    elif asked.from_ms is not None or asked.to_ms is not None:
        from_ns, to_ns = _window(recording.t0_ns, to_ns, asked)
    commanded = recording.commands.stroke[
        recording.commands.on & (recording.commands.t_ns >= from_ns)
    ]
    return jsonify(
        run=run_id,
        source=recording.source,
        stroke=shown,
        first_stroke=int(commanded[0]) if len(commanded) and commanded[0] > 0 else None,
        **timeline.traces(recording, from_ns, to_ns),
    )


def _window(t0_ns: int, end_ns: int, asked: TracesQuestion) -> tuple[int, int]:
    from_ns, to_ns = t0_ns, end_ns
    if asked.from_ms is not None:
        from_ns = t0_ns + round(asked.from_ms * NS_PER_MS)
    if asked.to_ms is not None:
        to_ns = min(t0_ns + round(asked.to_ms * NS_PER_MS), end_ns)
    if from_ns >= to_ns:
        raise PageFault(
            400,
            "This window is empty",
            f"from_ms must lie before to_ms, and before the end at {(end_ns - t0_ns) / 1e6} ms.",
            "Ask for a window inside the run.",
        )
    return from_ns, to_ns


def _stroke_json(
    recording: Recording, times: strokes.StrokeTimes, figures: Stroke | None
) -> StrokeShown:
    def ms(t_ns: int | None) -> float | None:
        return None if t_ns is None else timeline.to_ms(t_ns, recording)

    off_ns = times.dead_ns if times.dead_ns is not None else times.off_ns
    return {
        "number": times.number,
        "on_ms": ms(times.on_ns),
        "off_ms": ms(times.off_ns),
        "live_ms": ms(times.live_ns),
        "dead_ms": ms(times.dead_ns),
        "response_ms": figures and figures["response_ms"],
        "release_ms": figures and figures["release_ms"],
        "response_from_ms": ms(times.live_ns if times.live_ns is not None else times.on_ns),
        "release_from_ms": ms(off_ns),
        "marks": figures["marks"] if figures else [],
        "mark_ids": figures["mark_ids"] if figures else [],
    }


@blueprint.get("/runs/<int(max=2147483647):run_id>/strokes")
@described(answer=StrokesAnswer)
def per_stroke(run_id: int) -> Response:
    """Response and release of each stroke as columns, thinned to at most 5,000 strokes, and the
    control limits of both."""
    view = run_view.open_run(run_id)
    found = view.strokes
    number = np.array([s["number"] for s in found], np.int64)
    keep = np.arange(len(found))
    if len(found) > timeline.MAX_POINTS:
        half = timeline.MAX_POINTS // 2
        keep = np.union1d(*(
            decimate.min_max(number, _column(found, name), half)
            for name in figures_of("strokes")
        ))  # fmt: skip
    kept = [found[int(i)] for i in keep]
    return jsonify(
        strokes=len(found),
        charts={key: run_parts.chart(view.result, key) for key in figures_of("strokes")},
        number=[one["number"] for one in kept],
        answered=[one["answered"] for one in kept],
        **{key: [figure_of(one, key) for one in kept] for key in figures_of("strokes")},
    )


class OverlayQuestion(BaseModel):
    """The on or the off half."""

    model_config = ConfigDict(extra="forbid")
    way: Literal["on", "off"] = "on"


@blueprint.get("/runs/<int(max=2147483647):run_id>/overlay")
@described(OverlayQuestion, OverlayAnswer)
def overlaid(run_id: int) -> Response:
    """All strokes from the coil's edge, at most 5,000 points a trace."""
    asked = OverlayQuestion.model_validate(request.args.to_dict())
    view = run_view.open_run(run_id)
    odd = run_parts.odd_strokes(view.result)
    summary = view.result["summary"] if view.result else {}
    laid = overlay.overlay(view.recording, summary, asked.way, odd)
    return jsonify(run=run_id, source=view.recording.source, odd=odd, **laid)


def _column(found: list[Stroke], name: str) -> NDArray[np.float64]:
    return np.array([figure_of(one, name) for one in found], np.float64)  # None becomes NaN
