# SPDX-License-Identifier: MIT
"""Valves and jobs: the register, the history of each, and the forms to edit them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, NamedTuple

from flask import Blueprint, current_app, redirect, render_template, request, url_for
from pydantic import BaseModel, ConfigDict, Field
from werkzeug.wrappers import Response

from rig.actions.load_results import results_in
from rig.analysis.compare.compare_runs import compare_runs
from rig.config.sheet.compare import Compare
from rig.core.errors import UsageError
from rig.core.results.comparison import Comparison
from rig.runlog import register
from rig.runlog.register import JOB, VALVE, Entry, PastRun
from rig.runlog.store import RunLog
from rig.text.rounded import MEAN_LEAST
from webui import log
from webui.access import writer_only
from webui.charts import over_time
from webui.faults import PageFault

ROWS = 60

valves = Blueprint("valves", __name__)
jobs = Blueprint("jobs", __name__)


class RegisterQuestion(BaseModel):
    """A query of a register."""

    model_config = ConfigDict(extra="forbid")
    after: Annotated[str, Field(max_length=400)] = ""
    find: Annotated[str, Field(max_length=200)] = ""


def registered(of: str, template: str) -> str:
    """The list of all valves or jobs, paged."""
    asked = RegisterQuestion.model_validate(request.args.to_dict())
    rows = register.entries(
        log.run_log(), of, after=asked.after, limit=ROWS + 1, contains=asked.find
    )
    more = rows[ROWS - 1].name if len(rows) > ROWS else None
    return render_template(template, rows=rows[:ROWS], more=more, asked=asked, wrong=[], given={})


def known(of: str, number: int) -> Entry:
    """The entry with this number; a plain 404 if there is none."""
    found = register.entry(log.run_log(), of, number)
    if found is None:
        raise PageFault(
            404, f"There is no such {of}", f"The register has no {of} of this number.",
            "Go back to the register and choose one.", "fault.no-such-entry",
        )  # fmt: skip
    return found


def sent() -> dict[str, str]:
    """The form's fields, line ends as in the log."""
    return {
        name: request.form.get(name, "").replace("\r\n", "\n").strip()
        for name in ("name", "kind", "notes", *register.JOB_TEXTS)
    }


def unlike(past: Sequence[PastRun]) -> str:
    """Why the runs of a chart are not like for like; empty if nothing is seen."""
    found = []
    for what, kinds in (
        ("setups", {run.setup_hash for run in past}),
        ("sheets", {run.sheet for run in past}),
    ):
        if len(kinds) > 1:
            found.append(f"{len(kinds)} different {what}")
    if not found:
        return ""
    return f"These runs were made with {' and '.join(found)}: not all are like for like."


@valves.get("/valves", endpoint="register")
def valve_register() -> str:
    """All valves."""
    return registered(VALVE, "valves.html")


@jobs.get("/jobs", endpoint="register")
def job_register() -> str:
    """All jobs."""
    return registered(JOB, "jobs.html")


def _add(of: str, template: str, target: str) -> Response | tuple[str, int]:
    given = sent()
    wrong = register.problems(of, given["name"], given["kind"], given["notes"])
    with RunLog(Path(current_app.config["RUN_LOG"])) as writing:
        if not wrong:
            try:
                number = register.add(writing, of, given["name"], given["kind"], given["notes"])
                return redirect(url_for(target, number=number), 303)
            except UsageError as error:
                wrong = [str(error)]
        rows = register.entries(writing, of, limit=ROWS)
    asked = RegisterQuestion()
    return render_template(
        template, rows=rows, more=None, asked=asked, wrong=wrong, given=given
    ), 422


@valves.post("/valves")
@writer_only
def add_valve() -> Response | tuple[str, int]:
    """Enter a valve by hand."""
    return _add(VALVE, "valves.html", "valves.one")


@jobs.post("/jobs")
@writer_only
def add_job() -> Response | tuple[str, int]:
    """Enter a job by hand."""
    return _add(JOB, "jobs.html", "jobs.one")


@valves.get("/valves/<int(max=2147483647):number>")
def one(number: int) -> str:
    """One valve: what it is, its trend, its runs."""
    return _valve(number, [], None)


def _valve(number: int, wrong: list[str], given: dict[str, str] | None) -> str:
    entry = known(VALVE, number)
    past = register.history(log.run_log(), VALVE, number)
    newest = {one: log.run_log().result(one) for one in over_time.newest_of_sources(past)}
    return render_template(
        "valve.html", entry=entry, past=past, charts=over_time.charts(past, newest),
        unlike=unlike(past),
        wrong=wrong, given=given or {"kind": entry.kind, "notes": entry.notes},
        chart_px=over_time.CHART_PX, mean_least=MEAN_LEAST, most=register.MOST_IN_HISTORY,
    )  # fmt: skip


@valves.post("/valves/<int(max=2147483647):number>")
@writer_only
def describe(number: int) -> Response | tuple[str, int]:
    """Save the valve's description."""
    entry, given = known(VALVE, number), sent()
    wrong = register.problems(
        VALVE, entry.name[: register.LONGEST_TAG] or "-", given["kind"], given["notes"]
    )
    if wrong:
        return _valve(number, wrong, given), 422
    with RunLog(Path(current_app.config["RUN_LOG"])) as writing:
        register.describe(writing, VALVE, number, kind=given["kind"], notes=given["notes"])
    return redirect(url_for("valves.one", number=number), 303)


class Pair(NamedTuple):
    """Before and after of one valve in a job; `shape` is compare_runs', `refused` why there is
    none, `given` whether the two were named (else they are the first and the last)."""

    valve: str
    runs: list[PastRun]
    before: PastRun | None
    after: PastRun | None
    shape: Comparison | None
    refused: str


def pairs(past: Sequence[PastRun], before: int | None, after: int | None) -> list[Pair]:
    """Every valve of a job with its runs of strokes: unless named, the last run not cut short is
    the one after, and the first of the same source the one before."""
    found = []
    for valve in dict.fromkeys(run.valve for run in past):
        mine = [
            run for run in past
            if run.valve == valve and run.kind == "strokes" and run.status != "running"
        ]  # fmt: skip
        numbers = [run.id for run in mine]
        if len(mine) < 2:
            found.append(Pair(valve or "", mine, None, None, None, ""))
            continue
        ended = [run for run in mine if run.whole] or mine
        last = mine[numbers.index(after)] if after in numbers else ended[-1]
        like = [run for run in ended if run.source == last.source] or mine
        first = mine[numbers.index(before)] if before in numbers else like[0]
        shape, refused = None, ""
        if first is last:
            refused = "The run before and the run after are the same."
        else:
            results = results_in(log.run_log(), [str(first.id), str(last.id)])
            settings = getattr(results[0].sheet, "compare", None) or Compare()
            try:
                shape = compare_runs(
                    [r.result for r in results], settings, [r.medium for r in results]
                )
            except UsageError as error:
                refused = str(error)
        found.append(Pair(valve or "", mine, first, last, shape, refused))
    return found


class JobQuestion(BaseModel):
    """Choose which run of a job was before and which after."""

    model_config = ConfigDict(extra="forbid")
    before: Annotated[int, Field(ge=1, le=2**31 - 1)] | None = None
    after: Annotated[int, Field(ge=1, le=2**31 - 1)] | None = None


@jobs.get("/jobs/<int(max=2147483647):number>", endpoint="one")
def one_job(number: int) -> str:
    """One job: its valves, before and after, in words."""
    return _job(number, [], None)


def _job(number: int, wrong: list[str], given: dict[str, str] | None) -> str:
    asked = JobQuestion.model_validate(request.args.to_dict() if request.method == "GET" else {})
    entry = known(JOB, number)
    past = register.history(log.run_log(), JOB, number)
    newest = {run.valve: run.verdict for run in past}
    return render_template(
        "job.html", entry=entry, past=past, tally=Counter(newest.values()),
        pairs=pairs(past, asked.before, asked.after),
         wrong=wrong, most=register.MOST_IN_HISTORY, mean_least=MEAN_LEAST,
         given=given or {name: getattr(entry, name) for name in ("notes", *register.JOB_TEXTS)},
    )  # fmt: skip


@jobs.post("/jobs/<int(max=2147483647):number>", endpoint="describe")
@writer_only
def describe_job(number: int) -> Response | tuple[str, int]:
    """Save the job's notes."""
    entry, given = known(JOB, number), sent()
    texts = {name: given[name] for name in ("notes", *register.JOB_TEXTS)}
    wrong = register.problems(JOB, entry.name[: register.LONGEST_TAG] or "-", "", **texts)
    if wrong:
        return _job(number, wrong, given), 422
    with RunLog(Path(current_app.config["RUN_LOG"])) as writing:
        register.describe(writing, JOB, number, **texts)
    return redirect(url_for("jobs.one", number=number), 303)
