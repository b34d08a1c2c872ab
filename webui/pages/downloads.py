# SPDX-License-Identifier: MIT
"""A run as a file, through the same exports as the command line."""

from __future__ import annotations

import tempfile
from pathlib import Path

from flask import Blueprint, Response, current_app, send_file

from rig.text.file_names import file_stem
from webui import log
from webui.faults import PageFault
from webui.work import heavy

blueprint = Blueprint("downloads", __name__)

TYPES = {"csv": "text/csv", "json": "application/json", "vcd": "text/plain"}


@blueprint.get("/runs/<int(max=2147483647):run_id>/run.<kind>")
def export(run_id: int, kind: str) -> Response:
    """CSV, JSON or VCD of one run; its name carries valve, run and source."""
    if kind not in TYPES:
        raise PageFault(
            404, "There is no such export", "A run leaves as csv, json or vcd.", "Choose one."
        )
    heavy.not_beside_a_run()
    header = log.stored_run(run_id).header
    name = f"{file_stem(run_id, header.valve, header.source)}.{kind}"
    with tempfile.TemporaryDirectory(prefix="rig-export-") as folder:
        path = Path(folder) / name
        log_path = str(current_app.config["RUN_LOG"])
        heavy.do("run", log=log_path, run=run_id, kind=kind, file=str(path))
        # the file's name may go: the open file stays until the answer is sent
        return send_file(
            path.open("rb"), mimetype=TYPES[kind], as_attachment=True, download_name=name
        )
