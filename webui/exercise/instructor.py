# SPDX-License-Identifier: MIT
"""Instructor's actions: set an exercise, follow the class, reveal the truth, delete it."""

from __future__ import annotations

import secrets
import statistics
from typing import NamedTuple

from flask import current_app, redirect, render_template, request, url_for
from markupsafe import Markup
from werkzeug.wrappers import Response

from rig.actions.exercise.draw import SEVERITIES, offered, refuse_unfit
from rig.actions.exercise.model import Plan, cause_words
from rig.actions.exercise.store import EXERCISES_MOST, SEATS_MOST, Exercise, Seated
from rig.core.errors import FileProblems, RigError, UsageError
from webui import qr
from webui.access import writer_only
from webui.exercise import seats
from webui.exercise.student import blueprint as blueprint
from webui.faults import PageFault
from webui.live.files import Files, problems_of

__all__ = ["blueprint"]
LONGEST_COMPLAINT = 300
DRAWN = "drawn"
SEED_BITS = 128
"""Too many to try out: every draw, the salt of each seat and the sound rig's seed."""


class ClassRow(NamedTuple):
    """A seat in the class table. `best`: minutes of the best path."""

    seated: Seated
    minutes: float
    checks: int
    runs: int
    told: str
    right: str
    best: float | None
    best_clear: bool


def _files() -> Files:
    files: Files = current_app.config["HUB"].files
    return files


@blueprint.get("/exercise/new")
@writer_only
def new() -> str:
    """The form for a new exercise."""
    return _form([], {})


def _form(wrong: list[str], given: dict[str, str]) -> str:
    files = _files()
    setups = {
        name: setup
        for name, setup in files.read_setups().items()
        if setup is not None and setup.backend == "simulated"
    }
    causes: dict[str, str] = {}
    for setup in setups.values():
        causes |= {cause: part for part, cause in offered(setup)}
    return render_template(
        "exercise/new.html", wrong=wrong, given=given, setups=list(setups),
        sheets=_fit_sheets(files, list(setups)), causes=causes, severities=SEVERITIES, drawn=DRAWN,
        cause_words=cause_words,
        seats_most=SEATS_MOST,
    )  # fmt: skip


def _fit_sheets(files: Files, setups: list[str]) -> list[str]:
    """The sheets usable for an exercise with one of these setups."""

    def fits(setup: str, sheet: str) -> bool:
        try:
            refuse_unfit(*files.pair(setup, sheet))
        except (RigError, OSError):
            return False
        return True

    return [sheet for sheet in files.sheets if any(fits(setup, sheet) for setup in setups)]


@blueprint.post("/exercise/new")
@writer_only
def begin() -> Response | tuple[str, int]:
    """Set an exercise."""
    given = request.form.to_dict()
    try:
        plan = _plan(given)
        made = seats.store().begin(plan)
    except (UsageError, FileProblems) as error:
        told = [
            line
            for one in problems_of(error)
            for line in " ".join(filter(None, (one.key, one.what, one.remedy))).splitlines()
        ]
        return _form(told, given), 422
    if plan.reference:
        seats.waiting_runs().ask_reference(made)
    return redirect(url_for("exercise.of_class", number=made.id), 303)


def _plan(given: dict[str, str]) -> Plan:
    """Read and check the form. Raises UsageError and FileProblems."""
    setup, sheet = _files().pair(given.get("setup", ""), given.get("sheet", ""))
    refuse_unfit(setup, sheet)
    cause, severity = given.get("cause", DRAWN), given.get("severity", DRAWN)
    wrong = []
    if cause != DRAWN and cause not in [name for _, name in offered(setup.setup)]:
        wrong.append("This rig cannot have that cause. Choose another, or let it be drawn.")
    if severity not in (DRAWN, *SEVERITIES):
        wrong.append("Choose how far the fault has gone from the list.")
    complaint = given.get("complaint", "").strip()
    if len(complaint) > LONGEST_COMPLAINT:
        wrong.append(f"The complaint has at most {LONGEST_COMPLAINT} characters.")
    if wrong:
        raise UsageError("\n".join(wrong))
    return Plan(
        setup_name=_name(setup.path, ".setup.toml"), setup_text=setup.text,
        sheet_name=_name(sheet.path, ".sheet.toml"), sheet_text=sheet.text,
        cause=None if cause == DRAWN else cause,
        severity=SEVERITIES.get(severity),
        each_own=given.get("rigs") == "each" and cause == DRAWN,
        causes_shown=given.get("causes_shown") == "yes",
        reference=given.get("reference") == "yes",
        truth_at="end" if given.get("truth_at") == "end" else "commit",
        complaint=complaint, seed=secrets.randbits(SEED_BITS),
    )  # fmt: skip


def _name(path: str, ending: str) -> str:
    return str(path).rsplit("/", 1)[-1].removesuffix(ending) + ending


@blueprint.get("/exercise/class/<int(max=2147483647):number>")
@writer_only
def of_class(number: int) -> str:
    """The class table, and the actions available on the exercise."""
    exercise = _known(number)
    seats.waiting_runs()  # resumes the queue
    rows = [_row(one) for one in seats.store().seats(number)]
    address = _address()
    committed = [row for row in rows if row.seated.seat.committed is not None]
    return render_template(
        "exercise/class.html", exercise=exercise, rows=rows, committed=committed,
        right=[row for row in committed if row.right == "right"],
        usual=statistics.median(row.minutes for row in committed) if committed else None,
        cause_words=cause_words, seats_most=SEATS_MOST, exercises_most=EXERCISES_MOST,
        address=address, code_picture=_code_picture(address, exercise),
        private=1 if request.args.get("private") else None,
        free=1 if request.args.get("free") and exercise.ended_utc_s is None else None,
    )  # fmt: skip


def _row(one: Seated) -> ClassRow:
    seat, back = one.seat, one.seat.debrief
    return ClassRow(
        one, seat.minutes, len(seat.checks), len(seat.runs),
        cause_words(seat.committed.cause) if seat.committed is not None else "",
        back.right if back is not None else "",
        sum(step.minutes for step in back.best) if back is not None else None,
        back is None or back.best_clear,
    )  # fmt: skip


def _address() -> str | None:
    """The class's address as another machine can type it; None if this page is served to this
    machine only."""
    from webui.pages.lesson import reachable_address

    reachable = reachable_address()
    return f"{reachable}{url_for('exercise.start')}" if reachable else None


def _code_picture(address: str | None, exercise: Exercise) -> Markup | None:
    """The address including the code, as a QR code."""
    if address is None or exercise.ended_utc_s is not None:
        return None
    return qr.svg(f"{address}?code={exercise.code}", "the address with the code")


def _known(number: int) -> Exercise:
    try:
        return seats.store().one(number)
    except UsageError as error:
        raise PageFault(
            404, "There is no such exercise", str(error), "Go back to Exercise."
        ) from error


@blueprint.post("/exercise/class/<int(max=2147483647):number>/free/<int(max=9999):seat>")
@writer_only
def free(number: int, seat: int) -> Response:
    """Free a seat: one whose browser lost its key, or an extra seat held by one browser."""
    _known(number)
    seats.store().free(number, seat)
    return redirect(url_for("exercise.of_class", number=number, free=1), 303)


@blueprint.post("/exercise/class/<int(max=2147483647):number>/end")
@writer_only
def end(number: int) -> Response:
    """Reveal the truth to all, where the form says that this is meant."""
    _known(number)
    if request.form.get("sure") != "yes":
        raise PageFault(
            409, "The exercise goes on", "Nobody said that ending it is meant.",
            "Go back, tick that you are sure, and end it.",
        )  # fmt: skip
    seats.store().end(number)
    return redirect(url_for("exercise.of_class", number=number), 303)


@blueprint.post("/exercise/class/<int(max=2147483647):number>/forget")
@writer_only
def forget(number: int) -> Response:
    """Delete nicknames, paths and the code."""
    exercise = _known(number)
    if exercise.ended_utc_s is None:
        raise PageFault(
            409, "End the exercise first", "Its rigs are still being worked on.",
            "Go back and show the truth to all; then forget it.",
        )  # fmt: skip
    seats.store().forget(number)
    return redirect(url_for("exercise.start"), 303)
