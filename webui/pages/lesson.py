# SPDX-License-Identifier: MIT
"""The lesson: one stroke in slow motion for a projector, followed on the phones of a class."""

from __future__ import annotations

import hmac
import io
import itertools
import time
from typing import Annotated, Literal, cast

from flask import (
    Blueprint,
    Flask,
    Response,
    current_app,
    jsonify,
    render_template,
    request,
    url_for,
)
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from rig.actions.analyse_run import saved_result
from rig.core.clock import NS_PER_MS
from rig.core.json_values import JsonObject
from webui import access, log, words
from webui.api.models_lesson import (
    EndedAnswer,
    GuessedAnswer,
    LessonAnswer,
    MovedAnswer,
    PositionAnswer,
    ShareAnswer,
)
from webui.api.openapi import described
from webui.charts import chain_links, cutaway, strokes, timeline
from webui.exercise.seats import HIDDEN, hides_truth
from webui.faults import PageFault
from webui.lessons import guesses, worth_showing
from webui.lessons.kept import Lesson, Lessons, Position
from webui.lessons.rehearsals import OUTCOMES, REHEARSALS, Outcome, rehearse
from webui.pages import model_run
from webui.pages.listing import Count
from webui.run import run_view
from webui.work.heavy import not_beside_a_run

blueprint = Blueprint("lesson", __name__)

POINTS = 1_500
LEAST_MS = 5.0
LOOKED_AT, OFFERED = 120, 30
STROKES_LOOKED_AT = 1_000
"""Of the newest runs, for what is worth showing: the page does not wait for more."""
LONGEST_GUESS_MS = 10_000
LOOPBACK = ("127.", "localhost", "[::1]")

RunId = "<int(max=2147483647):run_id>"


def _a_part(name: str) -> str:
    if not guesses.is_part(name):
        raise ValueError("no part of the chain has this name")
    return name


class LessonQuestion(BaseModel):
    """Which stroke, and which half of it."""

    model_config = ConfigDict(extra="forbid")
    stroke: Count = 1
    way: Literal["on", "off"] = "on"


class RehearsalQuestion(BaseModel):
    """The outcome the class predicted; empty: only ask the question."""

    model_config = ConfigDict(extra="forbid")
    said: Outcome | None = None


class ShareQuestion(BaseModel):
    """`whole_page`: the class also gets Stop and the parts of the page. `going_on`: the code of a
    lesson whose class moves on to this run; the header X-Lesson-Key proves whose it is."""

    model_config = ConfigDict(extra="forbid")
    whole_page: bool = False
    going_on: Annotated[str, Field(max_length=40)] | None = None


class GuessQuestion(BaseModel):
    """A class member's guess: how long, in ms, which part takes the longest, or both. `question` as
    the lesson counts them."""

    model_config = ConfigDict(extra="forbid")
    question: Count
    ms: Annotated[float, Field(ge=0, le=LONGEST_GUESS_MS, allow_inf_nan=False)] | None = None
    part: Annotated[str, Field(max_length=100), AfterValidator(_a_part)] | None = None


def install(app: Flask) -> None:
    """The shared lessons: in memory only."""
    app.extensions["lessons"] = Lessons()
    app.jinja_env.globals["only_follows"] = only_follows


def only_follows() -> bool:
    """Whether this page is for a viewer who only follows a lesson: it has no Stop and no links to
    other pages, unless the operator allowed both."""
    if request.blueprint != blueprint.name or "code" not in (request.view_args or {}):
        return False
    try:
        return not _lessons().of(str((request.view_args or {})["code"])).whole_page
    except PageFault:  # over
        return True


def _lessons() -> Lessons:
    return cast(Lessons, current_app.extensions["lessons"])


@blueprint.get("/lesson")
def start() -> str:
    """Choose a run to teach with: the newest ones with strokes."""
    opened = log.run_log()
    rows = [row for row in opened.runs(LOOKED_AT) if row.of_a_valve]
    rows = [row for row in rows if row.kind == "strokes" and row.strokes]
    rows = rows[:OFFERED]
    so_far = itertools.accumulate(row.strokes or 0 for row in rows)
    near = [row.id for row, n in zip(rows, so_far, strict=True) if n <= STROKES_LOOKED_AT]
    results = []
    for n in near:
        if result := saved_result(opened, opened.load(n)):
            result["run"] = n
            results.append(result)
    worth = worth_showing.worth_showing(results)
    named = {row.id: row for row in rows}
    return render_template("lesson_start.html", rows=rows, worth=worth, named=named)


@blueprint.get("/lesson/cautions")
def rehearsals() -> str:
    """Cautions that a class rehearses on a simulated rig."""
    return render_template("rehearsals.html", rehearsals=REHEARSALS)


@blueprint.get("/lesson/cautions/<name>")
def rehearsal(name: str) -> str:
    """One caution: the question and, once the class has answered, the simulated rig's response."""
    said = RehearsalQuestion.model_validate(request.args.to_dict()).said
    places = [n for n, one in enumerate(REHEARSALS) if one.name == name]
    if not places:
        raise PageFault(
            404, "There is no such caution to rehearse", f"None is named {name[:40]}.",
            "Choose one of the list under Lesson.",
        )  # fmt: skip
    one, rest = REHEARSALS[places[0]], REHEARSALS[places[0] + 1 :]
    done = None
    if said is not None:
        not_beside_a_run()
        done = rehearse(one)
    return render_template(
        "rehearsal.html", one=one, said=said, done=done, outcomes=OUTCOMES,
        following=rest[0] if rest else None,
    )  # fmt: skip


@blueprint.get(f"/runs/{RunId}/lesson")
def page(run_id: int) -> str:
    """The instructor's page."""
    asked = LessonQuestion.model_validate(request.args.to_dict())
    return _page(run_id, asked, code="", phone=False)


@blueprint.get("/follow/<code>")
def follow(code: str) -> str:
    """A student's page."""
    lesson = _lessons().of(code)
    asked = LessonQuestion(stroke=lesson.position.stroke, way=lesson.position.way)
    return _page(lesson.run, asked, code=code, phone=True)


def _page(run_id: int, asked: LessonQuestion, *, code: str, phone: bool) -> str:
    view = run_view.open_run(run_id)
    known = [s["number"] for s in view.strokes]
    if not known:
        raise PageFault(
            404, "This run has no strokes to teach with",
            f"Run {run_id} is of the kind {view.stored.header.kind}.",
            "Choose a run of strokes.",
        )  # fmt: skip
    return render_template(
        "lesson.html", stored=view.stored, header=view.stored.header, asked=asked,
        across=words.unreal(view.stored.header.source), last=known[-1], code=code, phone=phone,
    )  # fmt: skip


@blueprint.get(f"/api/runs/{RunId}/lesson")
@described(LessonQuestion, LessonAnswer)
def stroke_chain(run_id: int) -> Response:
    """One half of a stroke for the lesson: traces, links with what each took, and for a simulated
    run the plant's own values as `model`. Times are ms after the command."""
    asked = LessonQuestion.model_validate(request.args.to_dict())
    view = run_view.open_run(run_id)
    recording = view.recording
    times = strokes.times(recording, asked.stroke)
    figures = view.stroke(asked.stroke)
    found = (
        None
        if times is None or figures is None
        else chain_links.instants(times, figures, asked.way)
    )
    command_ns = None if times is None else times.on_ns if asked.way == "on" else times.off_ns
    if times is None or figures is None or found is None or command_ns is None:
        raise PageFault(
            404, f"There is no stroke {asked.stroke}",
            f"Run {run_id} has {len(view.strokes)} strokes.", "Choose one of them.",
        )  # fmt: skip
    questions = worth_showing.questions(view.result) if view.result else []
    after = worth_showing.following(questions, asked.stroke, asked.way)
    here = (one.why for one in questions if one[:2] == (asked.stroke, asked.way))
    from_ns, to_ns = _window(view, times, found, asked.way, command_ns)
    traces = timeline.traces(recording, from_ns, to_ns, POINTS)
    return jsonify(
        run=run_id,
        source=recording.source,
        stroke=asked.stroke,
        strokes=len(view.strokes),
        way=asked.way,
        marks=figures["marks"],
        answered=figures["answered"],
        settled_ms=found.settled_ms,
        reference_ms=found.live_ms or 0.0,
        counts_from="coil" if found.live is not None else "command",
        command_ms=timeline.to_ms(command_ns, recording),
        traces=traces,
        drawing=cutaway.drawn(found, asked.way, traces),
        why=next(here, None),
        next=None if after is None else {"stroke": after.stroke, "way": after.way},
        model={"refused": HIDDEN}
        if hides_truth(view.stored)
        else model_run.model(view.stored, recording, asked.stroke, asked.way, (from_ns, to_ns)),
        **chain_links.links(found, asked.way),
    )


def _window(
    view: run_view.RunView, times: strokes.StrokeTimes, found: chain_links.Instants,
    way: str, command_ns: int,
) -> tuple[int, int]:  # fmt: skip
    """From just before the command until just after the switch has settled."""
    end = timeline.last_ns(view.recording)
    until = times.off_ns if way == "on" else times.next_on_ns
    until = end if until is None else until
    last = found.last_ms
    if last is None:
        to_ns = until
    else:
        to_ns = min(command_ns + round(max(1.3 * last, LEAST_MS) * NS_PER_MS), until)
    to_ns = max(to_ns, command_ns + NS_PER_MS)
    return max(command_ns - (to_ns - command_ns) // 12, view.recording.t0_ns), to_ns


@blueprint.post(f"/api/runs/{RunId}/lesson/share")
@described(ShareQuestion, ShareAnswer)
def share(run_id: int) -> Response:
    """Begin to share, or go on with the same class: the address, and the key that moves it."""
    if not access.may_write():
        raise access.only_to_look()
    asked = ShareQuestion.model_validate(request.args.to_dict())
    run_view.open_run(run_id)
    if asked.going_on is None:
        code, lesson = _lessons().share(run_id, whole_page=asked.whole_page)
    else:
        code, lesson = asked.going_on, _lessons().of(asked.going_on)
        _prove(lesson)
        _lessons().turn_to(lesson, run_id, whole_page=asked.whole_page)
    reachable = reachable_address()
    return jsonify(
        code=code,
        key=lesson.key,
        address=f"{reachable}{url_for('lesson.follow', code=code)}" if reachable else None,
        picture=url_for("lesson.picture", code=code) if reachable else None,
    )


def reachable_address() -> str | None:
    """This page's address as another machine can type it; None if it is on the loopback only."""
    if not request.host.startswith(LOOPBACK):
        return request.host_url.rstrip("/")
    from webui.serving import own_addresses

    port = request.host.rpartition(":")[2]
    trusted = current_app.config["TRUSTED_HOSTS"] or ()
    outside = [a for a in own_addresses() if a in trusted and not a.startswith("127.")]
    return f"{request.scheme}://{outside[0]}:{port}" if outside and port.isdigit() else None


@blueprint.get("/follow/<code>/code.svg")
def picture(code: str) -> Response:
    """The address as a QR code."""
    import segno

    _lessons().of(code)
    reachable = reachable_address()
    if reachable is None:
        raise PageFault(
            404, "No address for other machines", "This page is served to this machine only.",
            "Start rig serve with --host and what it asks for.",
        )  # fmt: skip
    out = io.BytesIO()
    address = f"{reachable}{url_for('lesson.follow', code=code)}"
    segno.make(address, error="m").save(
        out, kind="svg", scale=8, border=4, dark="#000", light="#fff", xmldecl=True
    )
    return Response(out.getvalue(), mimetype="image/svg+xml")


@blueprint.post("/api/lessons/<code>")
@described(Position, MovedAnswer)
def move(code: str) -> Response:
    """The instructor's position, as a query; the header X-Lesson-Key proves who it is."""
    lesson = _lessons().of(code)
    _prove(lesson)
    _lessons().move(lesson, Position.model_validate(request.args.to_dict()))
    return jsonify(version=lesson.version)


@blueprint.delete("/api/lessons/<code>")
@described(answer=EndedAnswer)
def end(code: str) -> Response:
    """The instructor ends it."""
    _prove(_lessons().of(code))
    _lessons().end(code)
    return jsonify(ended=True)


@blueprint.post("/api/lessons/<code>/guess")
@described(GuessQuestion, GuessedAnswer)
def guess(code: str) -> Response:
    """A guess of the class, as a query; the newest of a browser counts, until the answer is
    shown."""
    lesson = _lessons().of(code)
    try:
        asked = GuessQuestion.model_validate(request.args.to_dict())
    except ValidationError as error:
        if all(wrong["loc"] == ("ms",) for wrong in error.errors()):
            raise PageFault(
                400, "No such time", f"Write a time of 0 ms or more, {LONGEST_GUESS_MS} at most.",
                "Then send it again.",
            ) from error  # fmt: skip
        raise
    if asked.ms is None and asked.part is None:
        raise PageFault(
            400, "Nothing was guessed", "Neither a time nor a part was given.", "Give one of them."
        )
    given = guesses.Guess(asked.ms, asked.part)
    address = request.remote_addr or ""
    return jsonify(guesses=_lessons().guess(lesson, access.who(), asked.question, given, address))


def _has_key(lesson: Lesson) -> bool:
    return hmac.compare_digest(
        request.headers.get("X-Lesson-Key", "").encode(), lesson.key.encode()
    )


def _prove(lesson: Lesson) -> None:
    if not _has_key(lesson):
        raise PageFault(
            403, "This is somebody else's lesson", "Only the page that shares a lesson moves it.",
            "Share it from your own page.",
        )  # fmt: skip


@blueprint.get("/api/lessons/<code>")
@described(answer=PositionAnswer)
def position(code: str) -> Response:
    """Where the instructor stands, and for how long; what was guessed once it may be seen, and to
    the instructor always."""
    lesson = _lessons().of(code)
    there = lesson.position
    told: JsonObject = there.model_dump(exclude={"tally"})
    age_ms = round(1000 * (time.monotonic() - lesson.since_s))
    all_of_them = guesses.tally(lesson.guesses.all())
    seen = there.revealed or there.tally or _has_key(lesson)
    return jsonify(
        run=lesson.run,
        version=lesson.version,
        age_ms=age_ms,
        question=lesson.question,
        guesses=all_of_them.n,
        shows_tally=there.tally,
        tally=_as_json(all_of_them) if seen else None,
        **told,
    )


def _as_json(found: guesses.Tally) -> JsonObject:
    return {
        "n": found.n,
        "parts": [one._asdict() for one in found.parts],
        "times": [one._asdict() for one in found.times],
        "median_ms": found.median_ms,
    }
