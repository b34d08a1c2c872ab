# SPDX-License-Identifier: MIT
"""A run as one sheet of paper: on screen, and as a PDF. The text is that of `rig report`."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated, Literal

from flask import (
    Blueprint,
    Response,
    current_app,
    make_response,
    render_template,
    request,
    send_file,
    url_for,
)
from pydantic import BaseModel, ConfigDict, Field

from rig.core.errors import UsageError
from rig.report import page
from rig.report.input import reported
from rig.text.file_names import file_stem
from webui import log
from webui.faults import PageFault
from webui.work import heavy

blueprint = Blueprint("report", __name__)


class ReportQuestion(BaseModel):
    """Options of a report: the run before the repair, and the paper size."""

    model_config = ConfigDict(extra="forbid")
    before: Annotated[str, Field(pattern=r"^\s*\d{0,10}\s*$")] = ""
    paper: Literal["a4", "letter"] = "a4"

    @property
    def run_before(self) -> int | None:
        return int(self.before) if self.before.strip() else None


def _made(run_id: int, before: int | None) -> page.Reported:
    log.stored_run(run_id)  # a plain 404 if there is none
    if before is not None:
        log.stored_run(before)
    try:
        return reported(log.run_log(), run_id, before)
    except UsageError as error:
        raise PageFault(
            409, "No report of this run yet", str(error), "Wait for its end, then ask again."
        ) from error


@blueprint.get("/runs/<int(max=2147483647):run_id>/report")
def show(run_id: int) -> str:
    """The report as a page of its own."""
    asked = ReportQuestion.model_validate(request.args.to_dict())
    links = {
        f"Back to run {run_id}": url_for("pages.one_run", run_id=run_id),
        "Compare with a run before": url_for("report.choose", run_id=run_id),
    }
    for paper, label in (("a4", "PDF, A4"), ("letter", "PDF, Letter")):
        links[label] = url_for("report.as_pdf", run_id=run_id, before=asked.run_before, paper=paper)
    return page.render(
        _made(run_id, asked.run_before),
        style_href=url_for("report.style"),
        icon_href=url_for("static", filename="icon.svg"),
        links=links,
        photo_href=lambda number: url_for("attachments.show", number=number),
        stop_href="" if current_app.config["HUB"] is None else url_for("bench.stop"),
    )


@blueprint.get("/runs/<int(max=2147483647):run_id>/report/before")
def choose(run_id: int) -> str:
    """Runs the report can compare with: earlier runs of the same valve first."""
    stored = log.stored_run(run_id)
    valve = stored.header.valve
    rows = log.run_log().runs(60, before=run_id, valve=valve) if valve else []
    return render_template(
        "report_before.html", stored=stored, valve=valve,
        rows=[row for row in rows if row.kind == stored.header.kind and row.status != "running"],
    )  # fmt: skip


@blueprint.get("/runs/<int(max=2147483647):run_id>/report.pdf")
def as_pdf(run_id: int) -> Response:
    """The report as a PDF; if this machine lacks something for it, a plain message saying what."""
    asked = ReportQuestion.model_validate(request.args.to_dict())
    heavy.not_beside_a_run()
    made = _made(run_id, asked.run_before)
    documents = list(page.ever_tighter(made, asked.paper))
    tag = file_stem(run_id, made.header.valve, "report")
    source = made.result["source"].replace(" ", "-")
    with tempfile.TemporaryDirectory(prefix="rig-report-") as folder:
        path = Path(folder) / "report.pdf"
        missing = heavy.do("pdf", documents=documents, sheets=page.sheets(made), file=str(path))[
            "missing"
        ]
        if missing:
            remedy = "Or print the report from the browser."
            raise PageFault(501, "No PDF can be made here", missing, remedy)
        return send_file(
            path.open("rb"), mimetype="application/pdf", as_attachment=True,
            download_name=f"{tag}-{source}.pdf",
        )  # fmt: skip


@blueprint.get("/report.css")
def style() -> Response:
    """The print style sheet."""
    answer = make_response(page.css())
    answer.mimetype = "text/css"
    return answer
