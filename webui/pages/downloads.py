# SPDX-License-Identifier: MIT
"""A run as a file, through the same exports as the command line."""

from __future__ import annotations

import tempfile
from pathlib import Path

from flask import Blueprint, Response, send_file

from rig.captures import write_csv, write_json, write_vcd
from rig.text.file_names import file_stem
from webui.faults import PageFault
from webui.run import run_view
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
    view = run_view.open_run(run_id)
    header = view.stored.header
    with tempfile.TemporaryDirectory(prefix="rig-export-") as folder:
        path = Path(folder) / f"{file_stem(run_id, header.valve, header.source)}.{kind}"
        if kind == "csv":
            write_csv(view.recording, path)
        elif kind == "vcd":
            write_vcd(view.recording, path)
        else:
            write_json(view.result or {}, view.recording, path)
        file = path.open("rb")  # stays readable after its folder is gone; closed with the answer
    return send_file(file, mimetype=TYPES[kind], as_attachment=True, download_name=path.name)
