# SPDX-License-Identifier: MIT
"""Student's actions: take a seat, run the test, check by hand, commit, look back."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from flask import Blueprint, redirect, render_template, request, url_for
from markupsafe import escape
from werkzeug.wrappers import Response

from rig.actions.exercise.draw import offered
from rig.actions.exercise.looking_back import commit as decide
from rig.actions.exercise.looking_back import looked_back
from rig.actions.exercise.model import Debrief, KeptFinding, Seat, cause_words
from rig.actions.exercise.steps import (
    RUNS_MOST,
    answered,
    before,
    causes_of,
    check_minutes,
    do_check,
    found_words,
    hidden_setup,
)
from rig.actions.exercise.store import LONGEST_NAME, Exercise, Seated, sees_truth
from rig.core.errors import UsageError
from rig.diagnosis.knowledge.loading import load_knowledge
from rig.diagnosis.knowledge.model import Knowledge
from webui.access import may_write
from webui.exercise import seats

blueprint = Blueprint("exercise", __name__)

CAUSES_SHOWN, LEAST_SHOWN = 6, 0.02


@blueprint.get("/exercise")
def start() -> str:
    """Take a seat; the instructor sees the existing exercise and can set a new one."""
    return _start([], {"code": request.args.get("code", "")[:12]})


def _start(wrong: list[str], given: dict[str, str]) -> str:
    found = seats.store().all() if may_write() else []
    return render_template(
        "exercise/start.html", wrong=wrong, given=given, seat=seats.seat_here(), exercises=found,
        longest_name=LONGEST_NAME,
    )  # fmt: skip


@blueprint.post("/exercise/join")
def join() -> Response | tuple[str, int]:
    """Take a seat with the code shown on the wall."""
    given = {key: request.form.get(key, "")[:100] for key in ("code", "name")}
    address = request.remote_addr or ""
    wait_s = seats.wrong_codes().wait_s(address)
    if wait_s:
        return _start([f"Too many wrong codes. Wait {wait_s:.0f} s."], given), 429
    try:
        exercise = seats.store().of_code(given["code"])
    except UsageError as error:
        seats.wrong_codes().wrong(address)
        return _start([str(error)], given), 404
    mine = seats.seat_here()
    if mine is not None and mine.exercise_id == exercise.id:
        told = f'This browser has the seat "{mine.name}" in this exercise already: go on with it.'
        return _start([told], given), 409
    wait_s = seats.taken().wait_s(address)
    if wait_s:
        told = f"Many seats were taken from this address within a minute. Wait {wait_s:.0f} s."
        return _start([told], given), 429
    try:
        seat, key = seats.store().take_seat(given["code"], given["name"])
    except UsageError as error:
        return _start([str(error)], given), 422
    seats.taken().wrong(address)
    return seats.keep(redirect(url_for("exercise.seat"), 303), seat, key)


@blueprint.get("/exercise/seat")
def seat() -> str | Response:
    """The seat's page: working, or looking back."""
    return _seat([])


def _seat(wrong: list[str]) -> str | Response:
    found = seats.seat_here()
    if found is None:
        return redirect(url_for("exercise.start"), 303)
    exercise = seats.store().one(found.exercise_id)
    if sees_truth(exercise.plan, found.seat, ended=exercise.ended_utc_s is not None):
        return _truth(found, exercise)
    return _work(found, exercise, wrong)


def _work(found: Seated, exercise: Exercise, wrong: list[str]) -> str:
    knowledge, mine = load_knowledge(), found.seat
    setup = hidden_setup(exercise.plan, mine)
    can = list(answered(exercise.plan, mine))
    causes: list[tuple[str, float]] = []
    if exercise.plan.causes_shown and mine.steps:
        likely = causes_of(mine.steps, knowledge, setup).causes
        ranked = sorted(likely.items(), key=lambda item: -item[1])
        causes = [(n, p) for n, p in ranked if p >= LEAST_SHOWN][:CAUSES_SHOWN]
    ran = [step for step in mine.runs if step.findings]
    return render_template(
        "exercise/seat.html",
        seated=found, seat=mine, exercise=exercise, wrong=wrong,
        waits=seats.waiting_runs().words(found) if mine.waiting is not None else "",
        runs_most=RUNS_MOST,
        findings=_findings(ran[-1].findings, knowledge) if ran else [],
        newest=ran[-1] if ran else None,
        causes=causes, cause_words=cause_words, found_words=found_words,
        checks=[
            (check, check_minutes(check),
             [_short(knowledge.checks[n].words) for n in before(check, mine, can)])
            for name, check in knowledge.checks.items() if name in can and mine.done(name) is None
        ],
        words_of={name: check.words for name, check in knowledge.checks.items()},
        choices=_by_part(offered(setup)),
    )  # fmt: skip


@blueprint.get("/exercise/seat/waits")
def waits() -> Response:
    """State of the queued run, for a page that polls; the page reloads once the run is there."""
    found = seats.seat_here()
    if found is None or found.seat.waiting is None:
        return Response(headers={"HX-Refresh": "true"})
    return Response(f"<strong>{escape(seats.waiting_runs().words(found))}</strong>")


def _findings(kept: Sequence[KeptFinding], knowledge: Knowledge) -> list[tuple[str, str, bool]]:
    """(what, found, as on a sound rig), with the deviations from a sound rig first."""
    rows = []
    for one in kept:
        shown, found = knowledge.shown(one.name), one.finding
        rows.append((shown.words, found.found, found.state == shown.states[0]))
    return sorted(rows, key=lambda row: row[2])


def _short(words: str) -> str:
    """The text without its bracketed parts."""
    return words.partition(" (")[0]


def _by_part(causes: list[tuple[str, str]]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for part, cause in causes:
        found.setdefault("" if part == "none" else part, []).append(cause)
    return found


def _truth(found: Seated, exercise: Exercise) -> str:
    knowledge, mine = load_knowledge(), found.seat
    cause = knowledge.cause(mine.cause)
    shown = next((step for step in reversed(mine.runs) if step.run is not None), None)
    return render_template(
        "exercise/truth.html", seated=found, seat=mine, exercise=exercise, cause=cause,
        cause_words=cause_words, lesson=shown, debrief=mine.debrief or _late(exercise, mine),
    )  # fmt: skip


def _late(exercise: Exercise, mine: Seat) -> Debrief:
    """For a seat that had not committed when the exercise ended."""
    setup = hidden_setup(exercise.plan, mine)
    return looked_back(exercise.plan, mine, setup, load_knowledge())


def _done(change: Callable[[Seated, Exercise], object]) -> Response | tuple[str | Response, int]:
    """Apply an action to this browser's seat, and show its page."""
    found = seats.seat_here()
    if found is None:
        return redirect(url_for("exercise.start"), 303)
    exercise = seats.store().one(found.exercise_id)
    try:
        if exercise.ended_utc_s is not None:
            raise UsageError("The exercise is over: nothing more is done on its rigs.")
        change(found, exercise)
    except UsageError as error:
        return _seat(str(error).splitlines()), 422
    return redirect(url_for("exercise.seat"), 303)


@blueprint.post("/exercise/seat/run")
def run() -> Response | tuple[str | Response, int]:
    """Request a run of the test."""
    return _done(lambda found, _exercise: seats.waiting_runs().ask(found))


@blueprint.post("/exercise/seat/check")
def check() -> Response | tuple[str | Response, int]:
    """Do a check by hand."""

    def do(found: Seated, exercise: Exercise) -> None:
        with seats.store().changing(found.id) as now:
            do_check(exercise.plan, now.seat, request.form.get("check", ""), load_knowledge())

    return _done(do)


@blueprint.post("/exercise/seat/commit")
def commit() -> Response | tuple[str | Response, int]:
    """Commit to a cause."""

    def do(found: Seated, exercise: Exercise) -> None:
        if request.form.get("sure") != "yes":
            raise UsageError(
                "Tick that you are sure: it cannot be taken back. Nothing was decided."
            )
        with seats.store().changing(found.id) as now:
            decide(exercise.plan, now.seat, request.form.get("cause", ""), load_knowledge())

    return _done(do)


@blueprint.post("/exercise/seat/leave")
def leave() -> Response:
    """Leave the seat: this browser forgets its key."""
    return seats.leave(redirect(url_for("exercise.start"), 303))
