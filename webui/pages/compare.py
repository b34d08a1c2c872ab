# SPDX-License-Identifier: MIT
"""Runs side by side: what `rig compare` says, as a page and as JSON."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Annotated, Literal, NamedTuple

import numpy as np
from flask import Blueprint, Response, jsonify, render_template, request
from pydantic import BaseModel, ConfigDict, Field

from rig.actions.load_results import RunWithResult, results_in
from rig.analysis.compare.agreement_runs import agreement_of
from rig.analysis.compare.beside import Beside
from rig.analysis.compare.compare_runs import compare_runs
from rig.analysis.compare.run_values import values_of
from rig.analysis.compare.two_samples import around, group
from rig.config.sheet.compare import Compare
from rig.core.errors import UsageError
from rig.core.figures import figures_of, short_names
from rig.core.json_values import JsonObject
from rig.core.recording import Float
from rig.core.results.comparison import Comparison
from rig.report.drawing import fewer
from rig.runlog.rows import RunRow
from rig.text.rounded import difference_text, interval_text, mean_interval_text
from webui import log, words
from webui.api.models_compare import CompareOverlayAnswer
from webui.api.openapi import described
from webui.charts import drawing, overlay
from webui.faults import PageFault
from webui.pages.listing import Count
from webui.run import run_view

blueprint = Blueprint("compare", __name__)

MOST_RUNS = 60
MOST_OVERLAID = 8
OFFERED = 30

if TYPE_CHECKING:
    from rig.core.results.comparison import Agreement, Ranked
    from rig.core.results.run import Result

    Sort = str
else:
    Sort = Literal[(*figures_of("strokes"), "verdict", "given")]


class CompareQuestion(BaseModel):
    """`run` repeated, or `runs` as typed; the first is the one before."""

    model_config = ConfigDict(extra="forbid")
    run: Annotated[list[Count], Field(max_length=MOST_RUNS)] = []
    runs: Annotated[str, Field(max_length=600, pattern=r"^[\s\d,;]*$")] = ""
    slope_runs: Annotated[str, Field(max_length=200, pattern=r"^[\s\d,;]*$")] = ""
    """Runs of the same valve under other conditions, as `rig compare --slope-runs`."""
    study: Annotated[str, Field(max_length=200, pattern=r"^[\s\d,;]*$")] = ""
    """Runs of a rig study, as `rig compare --study`."""
    sort: Sort | None = None

    def numbers(self) -> list[int]:
        """The runs in the order given, each once. Raises PageFault for too many."""
        typed = _typed(self.runs)
        found = list(dict.fromkeys([*self.run, *typed]))
        if len(found) > MOST_RUNS:
            raise PageFault(
                400, "Too many runs", f"{len(found)} runs were named.",
                f"Compare at most {MOST_RUNS} at a time.",
            )  # fmt: skip
        return found


def _typed(text: str) -> list[int]:
    return [int(n) for n in re.findall(r"\d{1,10}", text)]


class Row(NamedTuple):
    """One run in the strip plot of one figure, positions in percent of the width."""

    result: Result
    dots: list[float]
    mean: float | None
    low: float | None
    high: float | None
    words: str


class Strip(NamedTuple):
    """One figure of all runs on one scale."""

    name: str
    scale: drawing.Scale
    rows: list[Row]
    interval: str


def asked() -> CompareQuestion:
    """The question of this request; raises ValidationError."""
    given = request.args.to_dict(flat=False)
    shape: dict[str, object] = {name: values[-1] for name, values in given.items() if name != "run"}
    return CompareQuestion.model_validate(shape | {"run": given.get("run", [])})


def compared(question: CompareQuestion) -> tuple[Comparison, list[RunWithResult]]:
    """The data of `rig compare --json`, and the runs. Raises UsageError, see compare_runs."""
    found = _results(question.numbers())
    settings = (getattr(found[0].sheet, "compare", None) if found else None) or Compare()
    beside = Beside(
        *([r.result for r in _results(_typed(t))] for t in (question.slope_runs, question.study))
    )
    shape = compare_runs([r.result for r in found], settings, [r.medium for r in found], beside)
    return shape, found


def _results(numbers: Sequence[int]) -> list[RunWithResult]:
    return results_in(log.run_log(), [str(n) for n in numbers])


@blueprint.get("/compare")
def page() -> tuple[str, int]:
    """The comparison, and the form that asks for it."""
    question = asked()
    numbers = question.numbers()
    shape, results, refused = None, [], ""
    if numbers:
        try:
            shape, found = compared(question)
            results = [one.result for one in found]
        except UsageError as error:
            refused = str(error).replace(": `rig compare BEFORE AFTER`", "")
    sort = question.sort or (next(iter(figures_of("strokes"))) if len(results) > 2 else "given")
    lines = [] if shape is None else table(shape, results, sort)
    text = render_template(
        "compare.html",
        shape=shape,
        results=results,
        numbers=numbers,
        question=question,
        refused=refused,
        sort=sort,
        offered=offered(),
        strips=[] if shape is None else strips(shape, [results[line["place"]] for line in lines]),
        table=lines,
        across="" if shape is None else words.unreal(shape["source"]),
        most_overlaid=MOST_OVERLAID,
        names=short_names(),
    )
    return text, 400 if refused else 200


def offered() -> list[RunRow]:
    """The newest runs with strokes on a valve, for the form."""
    rows = [row for row in log.run_log().runs(3 * OFFERED) if row.of_a_valve]
    return [row for row in rows if row.kind == "strokes" and row.status != "running"][:OFFERED]


def strips(shape: Comparison, results: Sequence[Result]) -> list[Strip]:
    """Every stroke of every run as a dot, with the mean and its interval; `results` in drawing
    order."""
    found = []
    for key, name in short_names().items():
        columns = [values_of(one, key) for one in results]
        line = drawing.scale([float(v) for column in columns for v in column if np.isfinite(v)])
        if line is None:
            continue
        ranked = _ranked(shape, key)
        together = {row["run"]: row for row in ranked}
        rows = []
        for one, column in zip(results, columns, strict=True):
            known = column[np.isfinite(column)].tolist()
            mean, low, high = _interval(column, together.get(one["run"]))
            told = "no numbers"
            if mean is not None and low is not None and high is not None:
                text, between = mean_interval_text(mean, (low, high))
                told = f"mean {text} ms ({between}), n {len(known)}"
            rows.append(
                Row(
                    one, [line.at(v) or 0.0 for v in fewer(known, drawing.MOST_DOTS)],
                    line.at(mean), _held(line, low), _held(line, high), told,
                )
            )  # fmt: skip
        sure = "95 % for all runs together" if ranked else "95 %"
        found.append(Strip(name.capitalize(), line, rows, sure))
    return found


def _ranked(shape: Comparison, key: str) -> list[Ranked]:
    found = shape["batch"][key] if shape["batch"] else None
    return found["ranked"] if found else []


def _held(line: drawing.Scale, value: float | None) -> float | None:
    """An end of an interval, drawn at the plot's edge if it lies beyond."""
    return None if value is None else line.at(min(max(value, line.low), line.high))


def _interval(
    column: Float, ranked: Ranked | None
) -> tuple[float | None, float | None, float | None]:
    if ranked is not None:
        return ranked["mean"], ranked["ci95"][0], ranked["ci95"][1]
    found = group(column)
    if found is None:
        return None, None, None
    bounds = around(found.mean, found.sd / found.n**0.5, found.n - 1)
    return found.mean, bounds.low, bounds.high


VERDICT_ORDER = ("does_not_conform", "undecided", "not_tested", "conforms")


def table(shape: Comparison, results: Sequence[Result], sort: str) -> list[JsonObject]:
    """One row a run, sorted: its verdict, both means with their intervals, what is odd."""
    lines = []
    for place, (run, result) in enumerate(zip(shape["runs"], results, strict=True)):
        line: JsonObject = {
            "place": place,
            "run": run,
            "verdict": result["verdict"]["result"],
            "apart": [],
        }
        for key, figure in figures_of("strokes").items():
            ranked = _ranked(shape, key)
            mine = next((row for row in ranked if row["run"] == run["run"]), None)
            line[key] = _interval(values_of(result, key), mine)
            line[f"{key}_sd"] = (group(values_of(result, key)) or (0, 0, None))[2]
            if mine is not None and mine["outlier"]:
                line["apart"].append(figure.words)
        lines.append(line)
    if sort == "verdict":
        order = {name: n for n, name in enumerate(VERDICT_ORDER)}
        return sorted(lines, key=lambda one: order.get(one["verdict"], len(order)))
    if sort == "given":
        return lines
    return sorted(lines, key=lambda one: (one[sort][0] is None, one[sort][0] or 0.0))


class AgreeQuestion(BaseModel):
    """Runs of one rig, and of the other, as typed."""

    model_config = ConfigDict(extra="forbid")
    first: Annotated[str, Field(max_length=600, pattern=r"^[\s\d,;]*$")] = ""
    second: Annotated[str, Field(max_length=600, pattern=r"^[\s\d,;]*$")] = ""


class Apart(NamedTuple):
    """How far two rigs differ in one figure of each valve, second minus first: a valve's position
    on one scale in percent, with run numbers and words; `bias`, `low` and `high` likewise."""

    name: str
    scale: drawing.Scale
    valves: list[tuple[str, float, str]]
    bias: float
    low: float
    high: float
    words: str


@blueprint.get("/agree")
def agree() -> tuple[str, int]:
    """The result of `rig agree` for two rigs, and the form for it."""
    question = AgreeQuestion.model_validate(request.args.to_dict())
    shape, apart, refused = None, [], ""
    sides = [_typed(text) for text in (question.first, question.second)]
    if sum(map(len, sides)) > 2 * MOST_RUNS:
        raise PageFault(400, "Too many runs", f"{sum(map(len, sides))} runs were named.",
                        f"Name at most {MOST_RUNS} on a side.")  # fmt: skip
    if any(sides):
        try:
            first, second = ([one.result for one in _results(side)] for side in sides)
            shape = agreement_of(first, second)
            apart = [*_apart(shape)]
        except UsageError as error:
            refused = str(error)
    text = render_template(
        "agree.html", shape=shape, apart=apart, question=question, refused=refused,
        across=[] if shape is None else list(filter(None, map(words.unreal, shape["sources"]))),
    )  # fmt: skip
    return text, 400 if refused else 200


def _apart(shape: Agreement) -> Iterator[Apart]:
    for key, name in short_names().items():
        found = shape["figures"][key]
        if found is None:
            continue
        both = zip(shape["pairs"], shape["means"][key], strict=True)
        away = [
            (valve or "", b - a)
            for (_, _, valve), (a, b) in both
            if a is not None and b is not None
        ]
        line = drawing.scale([*(d for _, d in away), found["low"], found["high"], 0.0])
        if line is None:
            continue
        ends = found["low"], found["high"]
        valves = [(valve, line.at(d) or 0.0, difference_text(d, ends)) for valve, d in away]
        bias, low, high = (line.at(end) or 0.0 for end in (found["bias"], *ends))
        told = (
            f"bias {difference_text(found['bias'], found['bias_ci95'])} ms, limits "
            f"{interval_text(ends)} ms, {found['n']} valves"
        )
        yield Apart(name.capitalize(), line, valves, bias, low, high, told)


@blueprint.get("/api/compare")
@described(CompareQuestion, Comparison)
def as_json() -> Response:
    """The same object as `rig compare --json` prints."""
    try:
        return jsonify(compared(asked())[0])
    except UsageError as error:
        raise PageFault(
            400, "These runs are not compared", str(error), "Choose other runs."
        ) from error


@blueprint.get("/api/compare/overlay")
@described(CompareQuestion, CompareOverlayAnswer)
def overlaid() -> Response:
    """Of each of at most eight runs, from the coil's edge on one span of time: the share of
    strokes with the switch closed, and the median of each channel."""
    numbers = asked().numbers()[:MOST_OVERLAID]
    views = [run_view.open_run(number) for number in numbers]
    answer: JsonObject = {"runs": [], "ways": {}}
    answer["runs"] = [{"run": v.stored.id, "valve": v.stored.header.valve} for v in views]
    for way in ("on", "off"):
        summaries = [view.result["summary"] if view.result else {} for view in views]
        longest = [
            overlay.span_ms(overlay.starts(view.recording, way), s.get(overlay.FIGURE[way]))
            for view, s in zip(views, summaries, strict=True)
        ]
        to_ms = max(longest, default=overlay.SHORTEST_MS)
        laid = [
            overlay.overlay(view.recording, s, way, to_ms=to_ms)
            for view, s in zip(views, summaries, strict=True)
        ]
        for one in laid:
            if one["switch"] is not None:
                del one["switch"]["strokes"]
            for channel in one["channels"]:
                del channel["t_ms"], channel["value"]
        answer["ways"][way] = laid
    return jsonify(answer)
