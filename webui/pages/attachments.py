# SPDX-License-Identifier: MIT
"""Photos and documents on a run, a valve or a job: add, show, remove.

A photo is served as the JPEG that this program encoded; a document only as a download, so that no
browser opens an uploaded file under the rig's own name.
"""

from __future__ import annotations

import io
import tempfile
from pathlib import Path
from typing import Any

from flask import (
    Blueprint,
    Flask,
    Response,
    current_app,
    make_response,
    redirect,
    request,
    send_file,
    url_for,
)
from werkzeug.wrappers import Response as AnyResponse

from rig.actions.attach import DOCUMENTS, PHOTO_BYTES
from rig.core.errors import UsageError
from rig.runlog import attachments
from rig.runlog.attachments import Attachment
from rig.runlog.register import JOB, VALVE
from rig.runlog.store import RunLog
from webui import access, log
from webui.faults import PageFault
from webui.work import heavy

blueprint = Blueprint("attachments", __name__)

AT_ONCE = 6
SENT_BYTES = AT_ONCE * PHOTO_BYTES
PAGES = {
    attachments.RUN: ("pages.one_run", "run_id"),
    VALVE: ("valves.one", "number"),
    JOB: ("jobs.one", "number"),
}
"""What a file is on -> its page, and the name of the number in that address."""


def install(app: Flask) -> None:
    """The templates' view of the files on something."""

    def files_on(of: str, number: int) -> list[Attachment]:
        return attachments.on(log.run_log(), of, number)

    app.jinja_env.globals.update(
        files_on=files_on, files_most=attachments.MOST_EACH, files_at_once=AT_ONCE,
        documents_kept=DOCUMENTS, report_most=attachments.MOST_IN_REPORT,
    )  # fmt: skip


def _page_of(of: str, number: int) -> str:
    endpoint, name = PAGES[of]
    address: dict[str, Any] = {name: number}
    return f"{url_for(endpoint, **address)}#files-on"


@blueprint.post("/files/<any(run, valve, job):of>/<int(max=2147483647):number>")
@access.takes(SENT_BYTES)
@access.writer_only
def add(of: str, number: int) -> AnyResponse:
    """Store uploaded files; problems with several are reported together."""
    log.run_log()
    sent = [one for key in ("photo", "document") for one in request.files.getlist(key)]
    sent = [one for one in sent if one.filename]
    if not sent or len(sent) > AT_ONCE:
        what = "No file was chosen." if not sent else f"{len(sent)} files were chosen."
        raise PageFault(400, "Nothing was added", what, f"Choose 1 to {AT_ONCE} at once.")
    heavy.not_beside_a_run()
    wrong = []
    with tempfile.TemporaryDirectory(prefix="rig-sent-") as folder:
        for one in sent:
            path = Path(folder) / "sent"
            one.save(path)
            answer = heavy.do(
                "attach", log=str(current_app.config["RUN_LOG"]), of=of, number=number,
                path=str(path), name=one.filename, by=request.form.get("by", ""),
                words=request.form.get("words", ""),
            )  # fmt: skip
            if answer["wrong"]:
                wrong.append(answer["wrong"])
    if wrong:
        added = len(sent) - len(wrong)
        raise PageFault(
            422, "Not added" if not added else f"{added} of {len(sent)} added", " ".join(wrong),
            f"Go back to the {of}; what was added is there.", "fault.not-added",
        )  # fmt: skip
    return redirect(_page_of(of, number), 303)


def _known(number: int) -> Attachment:
    found = attachments.one(log.run_log(), number)
    if found is None:
        raise PageFault(
            404, "There is no such file", "It was removed, or never was here.", "Go back."
        )
    return found


@blueprint.get("/files/<int(max=2147483647):number>")
def show(number: int) -> Response:
    """A photo, or a stored document."""
    found = _known(number)
    content = attachments.content(log.run_log(), found)
    if found.is_photo:
        answer = make_response(content)
        answer.mimetype = attachments.PHOTO
    else:
        answer = send_file(
            io.BytesIO(content), mimetype=found.type, as_attachment=True, download_name=found.name
        )
    answer.headers["Content-Security-Policy"] = "default-src 'none'; sandbox"
    answer.headers["Cache-Control"] = "private, max-age=3600"
    return answer


def _writing() -> RunLog:
    return RunLog(Path(current_app.config["RUN_LOG"]))


@blueprint.post("/files/<int(max=2147483647):number>/remove")
@access.writer_only
def remove(number: int) -> AnyResponse:
    """Remove a file for good."""
    found = _known(number)
    with _writing() as writing:
        attachments.remove(writing, number)
    return redirect(_page_of(found.of, found.number), 303)


@blueprint.post("/files/<int(max=2147483647):number>/report")
@access.writer_only
def in_report(number: int) -> AnyResponse:
    """Print a photo with its run's report, or leave it out."""
    found = _known(number)
    try:
        with _writing() as writing:
            attachments.choose(writing, number, in_report=request.form.get("print") == "yes")
    except UsageError as error:
        raise PageFault(422, "Not chosen", str(error), "Go back to the run.") from error
    return redirect(_page_of(found.of, found.number), 303)
