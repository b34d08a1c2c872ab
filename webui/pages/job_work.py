# SPDX-License-Identifier: MIT
"""A job in progress: causes, the next check with its form, and the summary for a customer."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, NamedTuple

from flask import Blueprint, current_app, redirect, render_template, request, url_for
from pydantic import BaseModel, ConfigDict, Field
from werkzeug.wrappers import Response

from rig.actions.job_checks import NOTHING_WRITTEN, READINGS, OutOfOrderError, add_check, job_seen
from rig.core.errors import FileProblems, UsageError
from rig.diagnosis.explain import NOTHING_FOR
from rig.diagnosis.knowledge.loading import load_knowledge
from rig.runlog.kept_files import checks_path
from rig.runlog.register import JOB, PastRun, history
from webui import log
from webui.access import writer_only
from webui.pages.register import known

blueprint = Blueprint("job", __name__)

TYPED = {
    "coil_ohms": (("resistance", "Or the resistance at the plug (open: choose it above)", "24 ohm"),
                  ("coil_temperature", "with the coil's temperature", "60 degC")),
    "supply_loaded": (("at_coil", "Or the voltage at the coil, under load", "11.9 V"),
                      ("at_source", "and at the source, under load", "12.4 V")),
}  # fmt: skip
"""Readings that a check's form accepts instead of a state: key, words, example."""
CAUSES_SHOWN, LEAST_SHOWN = 5, 0.02
PASSED = {"conforms": "passed", "does_not_conform": "did not pass"}
Words = Annotated[str, Field(max_length=200)]


class SummaryQuestion(BaseModel):
    """What the customer's summary shows; stored only in its address."""

    model_config = ConfigDict(extra="forbid")
    vehicle: Words = ""
    shop: Words = ""
    part: Words = ""


class DiagnosisQuestion(BaseModel):
    """The known-good run that the job is compared with."""

    model_config = ConfigDict(extra="forbid")
    good: Annotated[str, Field(max_length=60)] = ""


class BeforeAfter(NamedTuple):
    """The same test on one valve before and after the work."""

    valve: str
    before: PastRun
    after: PastRun
    words: str


def _checks(number: int) -> Path:
    return checks_path(Path(current_app.config["RUN_LOG"]), number)


@blueprint.get("/jobs/<int(max=2147483647):number>/diagnosis")
def diagnosis(number: int) -> str:
    """What the job's run and checks show, and what to do next."""
    asked = DiagnosisQuestion.model_validate(request.args.to_dict())
    return _page(number, [], {}, asked.good.strip())


@blueprint.post("/jobs/<int(max=2147483647):number>/diagnosis")
@writer_only
def note(number: int) -> Response | tuple[str, int]:
    """Record the result of a check by hand."""
    known(JOB, number)
    given = {key: request.form.get(key, "") for key in ("check", "found", *READINGS, "note")}
    good = DiagnosisQuestion.model_validate({"good": request.form.get("good", "")}).good
    confirmed = request.form.get("out_of_order") == "yes"
    typed = TYPED.get(given["check"], ())
    if not given["found"] and not any(given[key] for key, *_ in typed):
        instead = ", or type the reading" if typed else ""
        return _page(number, [f"Choose what was found{instead}."], given, good), 422
    try:
        add_check(_checks(number), given, out_of_order=confirmed)
    except OutOfOrderError as early:
        return _page(number, early.words, given, good, early=True), 422
    except UsageError as error:
        told = [line for line in str(error).splitlines() if line != NOTHING_WRITTEN]
        return _page(number, told, given, good), 422
    return redirect(url_for("job.diagnosis", number=number, good=good or None), 303)


def _page(
    number: int, wrong: list[str], given: dict[str, str], good: str, *, early: bool = False
) -> str:
    entry, past = known(JOB, number), history(log.run_log(), JOB, number)
    knowledge, refused, no_good = load_knowledge(), "", ""
    seen = None
    try:
        try:
            seen = job_seen(log.run_log(), _checks(number), past, good or None)
        except UsageError as error:  # no such run, or none that is known-good
            no_good = str(error)
            seen = job_seen(log.run_log(), _checks(number), past)
    except FileProblems as error:  # the file was edited by hand
        refused = str(error)
    found = seen.diagnosis if seen else None
    causes = [
        cause for cause in (found.causes if found else ())[:CAUSES_SHOWN]
        if cause.probability >= LEAST_SHOWN
    ]  # fmt: skip
    first = found.next[0] if found and found.next else None
    wrong_check = found.put_right.check if found and found.put_right else None
    return render_template(
        "job_diagnosis.html", entry=entry, seen=seen, found=found, causes=causes, first=first,
        begin=knowledge.checks.get(first.begin_with) if first else None,
        checks=knowledge.checks, refused=refused, wrong=wrong, given=given, early=early,
        nothing_for=NOTHING_FOR, good=good, no_good=no_good, readings=TYPED,
        shown=wrong_check or (first.begin_with if first else None),
    )  # fmt: skip


@blueprint.get("/jobs/<int(max=2147483647):number>/summary")
def summary(number: int) -> str:
    """Before and after in a customer's words, for printing."""
    asked = SummaryQuestion.model_validate(request.args.to_dict())
    entry, past = known(JOB, number), history(log.run_log(), JOB, number)
    return render_template(
        "job_summary.html", entry=entry, asked=asked,
        pairs=before_after(past, replaced=bool(entry.repair)),
    )  # fmt: skip


def before_after(past: list[PastRun], *, replaced: bool = False) -> list[BeforeAfter]:
    """For each valve the first and the last of its runs with the same sheet and from the same
    source: anything else is not the same test. A run that tested nothing, such as one cut short,
    shows neither the state before nor the state after. `replaced`: work done is written down; the
    second of two valves with a run each was then put in place of the first."""
    tested = [run for run in past if _tested(run)]
    valves = dict.fromkeys(run.valve for run in tested)
    found = [
        _pair(valve or "no tag", [run for run in tested if run.valve == valve]) for valve in valves
    ]
    if replaced and len(valves) == 2 and not any(found):
        found = [_pair(", then ".join(valve or "no tag" for valve in valves), tested)]
    return [pair for pair in found if pair is not None]


def _pair(valve: str, tested: list[PastRun]) -> BeforeAfter | None:
    after = tested[-1]
    like = [run for run in tested if (run.source, run.sheet) == (after.source, after.sheet)]
    if like[0].id == after.id:
        return None
    words = f"Before: {_outcome(like[0])}. After: {_outcome(after)}."
    return BeforeAfter(valve, like[0], after, words)


def _tested(run: PastRun) -> bool:
    return run.verdict not in (None, "not_tested") and run.whole


def _outcome(run: PastRun) -> str:
    if run.verdict in PASSED:
        return PASSED[run.verdict]
    return "not decided" if run.mean_ms is not None else "not decided, no response to be timed"
