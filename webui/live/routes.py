# SPDX-License-Identifier: MIT
"""The bench page and its orders."""

from __future__ import annotations

import functools
import json
from pathlib import Path

from flask import (
    Blueprint,
    Flask,
    Response,
    current_app,
    jsonify,
    redirect,
    render_template,
    request,
    url_for,
)
from werkzeug.wrappers import Response as AnyResponse

from rig.actions.conditions import CONDITIONS, typed
from rig.actions.confirmation import STATEMENTS
from rig.core.errors import Problem, RefusedError, RigError
from rig.core.json_values import JsonObject
from rig.core.message_ids import Message
from webui import access, security
from webui.api.models_live import LiveAnswer
from webui.api.openapi import described
from webui.faults import PageFault
from webui.live import batch, next_run, stream
from webui.live.clearing import is_latched
from webui.live.files import TEMPLATES, Files, problems_of
from webui.live.hub import Hub
from webui.live.measured import by_sensor, measured, read_before
from webui.live.stopping import NO_EMERGENCY_STOP, Stopped

blueprint = Blueprint("bench", __name__)

LABELS = {"proved": "Proved good by hand"}
"""Labels of fields that are not called by their name."""
FOLDED = (*CONDITIONS, "oil_grade", "oil_level", "proved", "note")
TEXTS = ("valve", "job", "by", *FOLDED)
LONGEST = 200


def install(app: Flask, hub: Hub) -> None:
    """Set up the bench page, fed by a hub."""
    app.extensions["hub"], app.extensions["stream_places"] = hub, stream.Places()
    app.jinja_env.globals["no_emergency_stop"] = NO_EMERGENCY_STOP
    app.jinja_env.globals["at_rest"] = lambda: hub.at_rest


@blueprint.get("/bench")
def show() -> str:
    """What the bench does now, and the available orders."""
    return bench_page()


def bench_page(**more: object) -> str:
    """The bench page in its current state, with `more` replacing the usual values."""
    hub = stream.hub()
    now = hub.snapshot()
    kept = next_run.kept(hub.given, TEXTS)
    if hub.given.get("browser") != access.who():  # named after the browser that had the controls
        kept.pop("by", None)
    over = now["phase"] == "ended" and (now.get("ended") or {}).get("run")
    valve, again = hub.given.get("valve"), not next_run.done(now)
    log_path = Path(current_app.config["RUN_LOG"])
    batch_seen, batch_fault = batch.now(log_path, valve, again=again)
    following = batch_seen.next_tag if batch_seen else next_run.next_tag(valve)
    chosen = {
        name: request.form.get(name)
        or (request.args.get(name) if request.args.get(name) in offered else "")
        or getattr(batch_seen, name, "")
        or now.get(name, "")
        for name, offered in (("setup", hub.files.setups), ("sheet", hub.files.sheets))
    }
    setups = hub.files.read_setups()
    sensors = {name: measured(setup) if setup else {} for name, setup in setups.items()}
    ended_with = setups.get(str(now.get("setup"))) if now["phase"] == "ended" else None
    here = sensors.get(str(now.get("setup")), {})
    return render_template(
        "bench.html",
        kept={name: text for name, text in kept.items() if name not in here},
        batch=batch_seen,
        batch_fault=batch_fault,
        batch_twice=request.args.getlist("twice"),
        batch_ended=batch.ended(log_path),
        known=next_run.known(),
        measured_here=here,
        measured_by=functools.partial(by_sensor, sensors),
        read_before=read_before((now.get("live") or {}).get("inputs") or []),
        valve_before=valve,
        again=again,
        begun=bool(now.get("ended") and now["ended"].get("started", True)),
        latched=ended_with is not None and is_latched(ended_with),
        next_tag=valve if again and valve else following,
        chosen_setup=chosen["setup"],
        chosen_sheet=chosen["sheet"],
        over=next_run.ended(over or None),
        now=now,
        setups=list(hub.files.setups),
        sheets=list(hub.files.sheets),
        templates=list(TEMPLATES),
        statements=STATEMENTS,
        conditions=CONDITIONS,
        proved_label=LABELS["proved"],
        cautions=_cautions(hub.files, now),
        confirm_wired=_confirm_wired(hub.files, now),
        backends={name: setup.backend if setup else "" for name, setup in setups.items()},
        unfolded=any((request.form or kept).get(name) for name in FOLDED),
        facts=json.dumps({**access.facts(), "phase": now["phase"]}),
        **{"given": request.form or kept, "problems": [], "batch_given": {}, **more},
    )


def _cautions(files: Files, now: JsonObject) -> list[Message]:
    from rig.config.files.loading import load_pair
    from rig.config.setup.cautions import cautions

    name = now.get("setup")
    if name not in files.setups:
        return []
    try:
        return cautions(load_pair(files.setups[name], None)[0].setup)
    except RigError:
        return []


def _confirm_wired(files: Files, now: JsonObject) -> bool:
    from rig.config.files.loading import load_pair

    name = now.get("setup")
    try:
        return (
            name in files.setups
            and load_pair(files.setups[name], None)[0].setup.confirm_input is not None
        )
    except RigError:
        return False


@blueprint.post("/bench/look")
@access.operator_only
def look() -> AnyResponse | str | tuple[str, int]:
    """Open the rig and look at it; nothing is energised."""
    form = request.form
    options: dict[str, object] = {
        name: form.get(name, "").strip()[:LONGEST] or None for name in TEXTS
    }
    options |= {"mount": None, "confirmed_by": None, "accept_not_watched": False, "fast": False,
                "seed": None, "as_json": True}  # fmt: skip
    setup, sheet = form.get("setup", ""), form.get("sheet", "")
    wrong = _conditions_wrong(options)
    try:
        if wrong:  # check the files too, so that all problems show at once
            stream.hub().files.pair(setup, sheet)
            return bench_page(problems=wrong), 400
        current_app.extensions["gauge_look"].end()  # the run's gauge may be at that port
        stream.hub().look(setup, sheet, options)
        stream.hub().given["browser"] = access.who()
    except RigError as error:
        status = 409 if isinstance(error, RefusedError) else 400
        return bench_page(problems=[*wrong, *problems_of(error)]), status
    return redirect(url_for(".show"))


def _conditions_wrong(options: dict[str, object]) -> list[Problem]:
    """Problems with the conditions typed, by the labels of the form."""
    return [
        Problem(
            "",
            LABELS.get(name) or name.replace("_", " ").capitalize(),
            "",
            error.what,
            error.remedy,
        )
        for name, error in typed(options)[1].items()
    ]


@blueprint.post("/bench/go")
@access.operator_only
def go() -> AnyResponse | tuple[str, int]:
    """Arm and run, once a person has confirmed every line."""
    hub, form = stream.hub(), request.form
    now = hub.snapshot()
    by = form.get("by", "").strip()[:LONGEST]
    open_lines = [line for n, line in enumerate(STATEMENTS) if form.get(f"said{n}") != "yes"]
    missing = (now.get("preflight") or {}).get("not_watched") or []
    accepted = form.get("not_watched") == "yes"
    if now.get("backend") == "board" and (open_lines or not by or (missing and not accepted)):
        words = [*(f"Not confirmed: {line}" for line in open_lines)]
        words += [] if by else ["Who confirms? Write a name."]
        words += ["Accept what is NOT WATCHED, or cancel."] if missing and not accepted else []
        return bench_page(problems=[said(line) for line in words]), 400
    try:
        hub.go(by, form.get("look", ""), not_watched_accepted=accepted)
    except RefusedError as error:
        return bench_page(problems=problems_of(error)), 409
    return redirect(url_for(".show"))


def said(words: str) -> Problem:
    """A sentence in the form the page's list of what was not done needs."""
    return problems_of(RefusedError(words, id_="refusal.form"))[0]


@blueprint.post("/bench/leave")
@access.operator_only
def leave() -> AnyResponse:
    """Close the rig after a look, or put the last run aside."""
    stream.hub().leave()
    return redirect(url_for(".show"))


@blueprint.post("/bench/beat")
@access.operator_only
def beat() -> Response:
    """Heartbeat of the operator's page."""
    stream.hub().beat()
    return Response(status=204)


@blueprint.post("/stop")
@access.without_token
def stop() -> Response | tuple[str, int]:
    """Coil off, for anybody, without a passcode; works without scripts. Refused only for a page of
    another site open in some browser."""
    if security.of_another_site(request.environ):
        return Response(security.ANOTHER_SITE, status=403, mimetype="text/plain")
    who = "the operator's page" if access.took_controls() else "a viewer's page"
    done = stream.hub().stop(f"stopped on {who}")
    if request.accept_mimetypes.best_match(["text/html", "application/json"]) == "application/json":
        return jsonify(stop_facts(done))
    return render_template("stopped.html", done=done), 200


def stop_facts(done: Stopped) -> JsonObject:
    """The answer to a stop."""
    return {"off": done.off, "words": done.words, "sure": done.sure, "note": NO_EMERGENCY_STOP}


@blueprint.get("/api/live")
@described(answer=LiveAnswer)
def latest() -> Response:
    """The latest snapshot of the bench."""
    return stream.latest()


@blueprint.get("/api/live/events")
@described(media="text/event-stream")
def events() -> Response:
    """Snapshots as server-sent events."""
    return stream.events()


# -- a tripped rig


@blueprint.get("/bench/trip")
def trip() -> str:
    """The latched trips of these setups' rigs, and how to clear one."""
    from webui.live.clearing import latched

    return render_template("trip.html", latched=latched(stream.hub().files), said=None)


@blueprint.post("/bench/clear")
@access.operator_only
def clear() -> str | tuple[str, int]:
    """Clear a trip on a person's order; refused while its condition stands."""
    from webui.live.clearing import clear_trip, latched

    hub = stream.hub()
    if hub.phase not in ("idle", "ended"):
        raise PageFault(409, "A run goes on", "A trip is cleared between runs.", "Stop it first.")
    done, said = clear_trip(
        hub.files, request.form.get("setup", ""), cooled=request.form.get("cooled") == "yes"
    )
    if done:
        hub.cleared()
    # somebody else may have been quicker
    how = "Nothing was latched any more" if "nothing to clear" in said else "Cleared"
    page = render_template(
        "trip.html", latched=latched(hub.files), said=said, done=done,
        how=how if done else "Not cleared",
    )  # fmt: skip
    return page, 200 if done else 409
