# SPDX-License-Identifier: MIT
"""What a person does with the log: tags, notes, removing and putting back, exports."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

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
from rig.runlog import remarks, search
from rig.runlog.store import RunLog
from webui import access, log, words
from webui.faults import PageFault
from webui.work import heavy, importing

blueprint = Blueprint("logwork", __name__)

CHOSEN_MOST = 200


def _log() -> RunLog:
    """The log for one short change. Raises log.NoLogYet."""
    path = Path(current_app.config["RUN_LOG"])
    if not path.exists():
        raise log.NoLogYet(path)
    return RunLog(path)


def _chosen() -> list[int]:
    """The runs that were ticked. Raises PageFault."""
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
    """Take runs off the list; the next page offers to put them back."""
    numbers = _chosen()
    with _log() as opened:
        remarks.remove(opened, numbers)
    return redirect(url_for("pages.run_list", undo=",".join(map(str, numbers))))


@blueprint.post("/log/restore")
@access.writer_only
def restore() -> AnyResponse:
    """Put runs back on the list."""
    with _log() as opened:
        remarks.restore(opened, _chosen())
    return redirect(url_for("pages.run_list"))


@blueprint.get("/log/removed")
def removed() -> str:
    """The runs taken off the list."""
    listed, _ = search.find(log.run_log(), search.Sought(removed=True), CHOSEN_MOST)
    return render_template("removed.html", listed=listed)


@blueprint.post("/runs/<int(max=2147483647):run_id>/tags")
@access.writer_only
def tag(run_id: int) -> AnyResponse | str | tuple[str, int]:
    """Put a tag on, or take one off."""
    off = request.form.get("take_off")
    if off:
        return _write_down(run_id, lambda opened: remarks.take_tag(opened, run_id, off))
    given = request.form.get("tag", "")
    return _write_down(run_id, lambda opened: remarks.add_tag(opened, run_id, given))


@blueprint.post("/runs/<int(max=2147483647):run_id>/notes")
@access.writer_only
def note(run_id: int) -> AnyResponse | str | tuple[str, int]:
    """Add a note; those before it stay."""
    text, by = request.form.get("text", ""), request.form.get("by", "")
    return _write_down(run_id, lambda opened: remarks.add_note(opened, run_id, text, by))


def _write_down(
    run_id: int, change: Callable[[RunLog], object]
) -> AnyResponse | str | tuple[str, int]:
    """Write it down, and show the page again: of a page with scripts only the part that changed."""
    part = "HX-Request" in request.headers
    try:
        with _log() as opened:
            change(opened)
    except UsageError as error:  # a person's mistake, not a fault of the program
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


@blueprint.get("/log/export")
def export() -> Response:
    """Several runs as one archive, each as the single run's export."""
    kind = request.args.get("to", "csv")
    if kind not in ("csv", "json", "vcd"):
        raise PageFault(400, "No such export", "Runs leave as csv, json or vcd.", "Choose one.")
    numbers = _chosen()
    heavy.not_beside_a_run()
    with tempfile.TemporaryDirectory(prefix="rig-export-") as folder:
        archive = Path(folder) / "runs.zip"
        log_path = str(current_app.config["RUN_LOG"])
        heavy.do("export", log=log_path, runs=numbers, kind=kind, archive=str(archive))
        # its name may go: what is open stays until the answer is sent
        return send_file(
            archive.open("rb"), "application/zip", as_attachment=True,
            download_name=f"runs-{kind}.zip",
        )  # fmt: skip


@blueprint.get("/log/results.csv")
def results() -> Response:
    """The results of the ticked runs as one table: a row a run, or (`each=stroke`) a row a
    stroke."""
    each = request.args.get("each", "run")
    if each not in ("run", "stroke"):
        what = "Results have a row a run or a row a stroke."
        raise PageFault(400, "No such table", what, "Choose one.")
    numbers = _chosen()
    heavy.not_beside_a_run()
    if len(numbers) == 1:
        header = log.stored_run(numbers[0]).header
        stem = words.file_stem(numbers[0], header.valve, header.source)
    else:
        stem = f"runs-{min(numbers)}-to-{max(numbers)}"
    with tempfile.TemporaryDirectory(prefix="rig-results-") as folder:
        table = Path(folder) / "results.csv"
        heavy.do(
            "results", log=str(current_app.config["RUN_LOG"]), runs=numbers, file=str(table),
            by_stroke=each == "stroke",
        )  # fmt: skip
        return send_file(
            table.open("rb"), "text/csv", as_attachment=True,
            download_name=f"{stem}-{'strokes' if each == 'stroke' else 'results'}.csv",
        )  # fmt: skip
