# SPDX-License-Identifier: MIT
"""Changes to the log: tags, notes, removing and restoring runs, exports."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from urllib.parse import parse_qs, parse_qsl

from flask import (
    Blueprint,
    Response,
    current_app,
    redirect,
    render_template,
    request,
    send_file,
    url_for,
)
from werkzeug.wrappers import Response as AnyResponse

from rig.core.errors import UsageError
from rig.runlog import remarks, search, views
from rig.runlog.store import RunLog
from rig.text.file_names import file_stem, runs_stem
from webui import access, log
from webui.faults import PageFault
from webui.pages import listing
from webui.work import heavy, importing

blueprint = Blueprint("logwork", __name__)

CHOSEN_MOST = 200
FOUND_MOST = 2_000
QUESTION_MOST = 2_000
MADE = "made"
"""In a question, a name for the file asked for; the cookie with it tells the page that it comes."""
TABLES, RECORDINGS = ("results", "strokes"), ("csv", "json", "vcd")
"""What runs leave as: one table of all of them, or an archive with a file of each."""


@blueprint.after_request
def tell_it_comes(answer: Response) -> Response:
    """Tell the page that asked for a file that it comes: a download tells a script nothing."""
    if answer.status_code != 200:  # a form that was refused as too large must not be read here
        return answer
    asked = request.values.get(MADE, "")
    if asked.isascii() and asked.isalnum() and len(asked) <= 20:
        answer.set_cookie(MADE, asked, max_age=60, samesite="Strict")
    return answer


def _log() -> RunLog:
    """The log opened for one short change. Raises log.NoLogYet."""
    path = Path(current_app.config["RUN_LOG"])
    if not path.exists():
        raise log.NoLogYet(path)
    return RunLog(path)


def _chosen() -> list[int]:
    """The ticked runs. Raises PageFault."""
    texts = request.values.getlist("run")
    if (
        not texts
        or len(texts) > CHOSEN_MOST
        or not all(t.isdecimal() and len(t) < 10 for t in texts)
    ):
        raise PageFault(
            400, "Choose runs first", f"Tick one to {CHOSEN_MOST} runs in the list.",
            "Go back, tick them, and choose what to do.",
        )  # fmt: skip
    return [int(text) for text in dict.fromkeys(texts)]


@blueprint.post("/log/remove")
@access.writer_only
def remove() -> AnyResponse:
    """Remove runs from the list; the next page offers to restore them."""
    numbers = _chosen()
    with _log() as opened:
        remarks.remove(opened, numbers)
    return redirect(url_for("pages.run_list", undo=",".join(map(str, numbers))))


@blueprint.post("/log/restore")
@access.writer_only
def restore() -> AnyResponse:
    """Restore runs to the list."""
    with _log() as opened:
        remarks.restore(opened, _chosen())
    return redirect(url_for("pages.run_list"))


@blueprint.get("/log/removed")
def removed() -> str:
    """The runs removed from the list."""
    listed, _ = search.find(log.run_log(), search.Sought(removed=True), CHOSEN_MOST)
    return render_template("removed.html", listed=listed)


@blueprint.post("/runs/<int(max=2147483647):run_id>/tags")
@access.writer_only
def tag(run_id: int) -> AnyResponse | str | tuple[str, int]:
    """Add a tag, or remove one."""
    off = request.form.get("remove")
    if off:
        return _write_down(run_id, lambda opened: remarks.remove_tag(opened, run_id, off))
    given = request.form.get("tag", "")
    return _write_down(run_id, lambda opened: remarks.add_tag(opened, run_id, given))


@blueprint.post("/runs/<int(max=2147483647):run_id>/notes")
@access.writer_only
def note(run_id: int) -> AnyResponse | str | tuple[str, int]:
    """Add a note; earlier ones stay."""
    text, by = request.form.get("text", ""), request.form.get("by", "")
    return _write_down(run_id, lambda opened: remarks.add_note(opened, run_id, text, by))


def _write_down(
    run_id: int, change: Callable[[RunLog], object]
) -> AnyResponse | str | tuple[str, int]:
    """Save it, and show the page again: for a page with scripts only the changed part."""
    part = "HX-Request" in request.headers
    try:
        with _log() as opened:
            change(opened)
    except UsageError as error:  # user error, not a program fault
        if part:
            return _remarks(run_id, [importing.problem(str(error), "")]), 422
        raise PageFault(400, "Not written down", str(error), "Go back and mend it.") from error
    return (
        _remarks(run_id) if part else redirect(url_for("pages.one_run", run_id=run_id) + "#remarks")
    )


def _remarks(run_id: int, wrong: list[dict[str, str]] | None = None) -> str:
    opened = log.run_log()
    return render_template(
        "remarks_only.html", stored=log.stored_run(run_id), written=remarks.of_run(opened, run_id),
        wrong=wrong or [], given=request.form if wrong else {},
    )  # fmt: skip


@blueprint.get("/log/chosen")
def chosen() -> AnyResponse:
    """Act on the ticked runs: compare them, or export them as a file."""
    numbers, wanted = _chosen(), request.args.get("do", "")
    if wanted == "compare":
        # the list has the newest first; the older of two is the one before
        return redirect(url_for("compare.page", run=sorted(numbers)))
    kind = request.args.get("to", "")
    if wanted != "export" or kind not in (*TABLES, *RECORDINGS):
        raise PageFault(
            400,
            "There is nothing of this name to be done with runs",
            f"Runs can be compared, or leave as {', '.join((*TABLES, *RECORDINGS))}.",
            "Go back and choose one.",
        )
    return _table(numbers, kind) if kind in TABLES else _archive(numbers, kind)


@blueprint.get("/log/export")
def export() -> Response:
    """Several runs in one archive, each as in the single run's export."""
    kind = request.args.get("to", "csv")
    if kind not in RECORDINGS:
        raise PageFault(400, "No such export", "Runs leave as csv, json or vcd.", "Choose one.")
    return _archive(_chosen(), kind)


@blueprint.get("/log/results.csv")
def results() -> Response:
    """The results of the ticked runs as one table: a row a run, or (`each=stroke`) a row a
    stroke."""
    each = request.args.get("each", "run")
    if each not in ("run", "stroke"):
        what = "Results have a row a run or a row a stroke."
        raise PageFault(400, "No such table", what, "Choose one.")
    return _table(_chosen(), "strokes" if each == "stroke" else "results")


@blueprint.get("/log/found.csv")
def found() -> Response:
    """The results of all runs matching a query of the list, as one table."""
    given = {
        key: text for key, text in request.args.to_dict().items() if text.strip() and key != MADE
    }
    asked = listing.ListQuestion.model_validate(given)
    listed, more = search.find(log.run_log(), asked.sought, FOUND_MOST)
    if not listed or more:
        what = f"More than {FOUND_MOST} runs were found." if more else "No run was found."
        raise PageFault(400, "Not as one table", what, "Go back and ask for others in Find.")
    return _table([one.row.id for one in listed], "results")


def _archive(numbers: list[int], kind: str) -> Response:
    heavy.not_beside_a_run()
    stem = _stem(numbers)
    with tempfile.TemporaryDirectory(prefix="rig-export-") as folder:
        archive = Path(folder) / "runs.zip"
        log_path = str(current_app.config["RUN_LOG"])
        heavy.do("export", log=log_path, runs=numbers, kind=kind, archive=str(archive))
        # the file's name may go: the open file stays until the answer is sent
        return send_file(
            archive.open("rb"), "application/zip", as_attachment=True,
            download_name=f"{stem}-{kind}.zip",
        )  # fmt: skip


def _table(numbers: list[int], of: str) -> Response:
    """`of` is one of TABLES."""
    heavy.not_beside_a_run()
    stem = _stem(numbers)
    with tempfile.TemporaryDirectory(prefix="rig-results-") as folder:
        table = Path(folder) / "results.csv"
        heavy.do(
            "results", log=str(current_app.config["RUN_LOG"]), runs=numbers, file=str(table),
            by_stroke=of == "strokes",
        )  # fmt: skip
        return send_file(
            table.open("rb"), "text/csv", as_attachment=True, download_name=f"{stem}-{of}.csv"
        )


def _stem(numbers: list[int]) -> str:
    """Start of the file name for these runs."""
    headers = [log.stored_run(number).header for number in numbers[:CHOSEN_MOST]]
    if len(numbers) == 1:
        return file_stem(numbers[0], headers[0].valve, headers[0].source)
    valves = [header.valve for header in headers]
    return runs_stem(numbers, [*valves, None] if len(numbers) > CHOSEN_MOST else valves)


@blueprint.post("/log/views")
@access.writer_only
def keep_view() -> AnyResponse:
    """Keep a view of the list under a name."""
    given: dict[str, object] = dict(parse_qsl(request.form.get("question", "")[:QUESTION_MOST]))
    columns = parse_qs(request.form.get("question", "")[:QUESTION_MOST]).get("columns")
    asked = listing.PageQuestion.model_validate({**given, "columns": columns})
    try:
        with _log() as opened:
            views.keep(opened, request.form.get("name", ""), asked.address)
    except UsageError as error:
        raise PageFault(400, "The view was not kept", str(error), "Go back and mend it.") from error
    return redirect(url_for("pages.run_list") + (f"?{asked.address}" if asked.address else ""), 303)


@blueprint.post("/log/views/forget")
@access.writer_only
def forget_view() -> AnyResponse:
    """Forget a view; the runs stay."""
    with _log() as opened:
        views.forget(opened, request.form.get("name", ""))
    return redirect(url_for("pages.run_list"), 303)
