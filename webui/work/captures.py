# SPDX-License-Identifier: MIT
"""Import captures on the page: shown as understood, columns confirmed, then stored.

A file is uploaded once. It is held until it is stored, another replaces it, or the page ends.
"""

from __future__ import annotations

import contextlib
import secrets
import tempfile
import threading
from pathlib import Path

from flask import Blueprint, Flask, current_app, redirect, render_template, request, url_for
from werkzeug.datastructures import FileStorage
from werkzeug.wrappers import Response as AnyResponse

from rig.core.json_values import JsonObject
from webui import access, log
from webui.exercise.seats import hides_truth
from webui.work import heavy, importing

blueprint = Blueprint("captures", __name__)

CAPTURE_BYTES = 256 << 20
CAPTURE_ENDS = (".csv", ".vcd", ".txt", ".tsv", ".dat")
HELD_MOST = 3
COLUMNS_MOST = 200


class Held:
    """An uploaded file: its folder, its original name. `watch`: the token with which the sender's
    page asks how far it has been read."""

    def __init__(self, sent: FileStorage) -> None:
        self.watch = ""
        self.folder = tempfile.TemporaryDirectory(prefix="rig-capture-")
        self.name = sent.filename or "capture"
        ending = Path(self.name).suffix.lower()
        self.path = Path(self.folder.name) / (
            f"capture{ending if ending in CAPTURE_ENDS else '.csv'}"
        )
        sent.save(self.path)


class HeldFiles:
    """The newest uploads, by a token that only the sender's page has."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._files: dict[str, Held] = {}

    def hold(self, sent: FileStorage) -> str:
        """Hold a file and return its token; drop the oldest if there are too many."""
        token = secrets.token_urlsafe(24)
        held = Held(sent)
        with self._lock:
            self._files[token] = held
            oldest = list(self._files)[:-HELD_MOST]
        for one in oldest:
            self.drop(one)
        return token

    def get(self, token: str) -> Held | None:
        with self._lock:
            return self._files.get(token)

    def watched(self, watch: str) -> Held | None:
        """The file being read for the page with this token."""
        with self._lock:
            return next((one for one in self._files.values() if watch and one.watch == watch), None)

    def drop(self, token: str) -> None:
        """Forget a file."""
        with self._lock:
            held = self._files.pop(token, None)
        if held is not None:
            held.folder.cleanup()

    def close(self) -> None:
        for token in list(self._files):
            self.drop(token)


def install(app: Flask) -> None:
    """One reading process for all captures, and the files that await confirmation."""
    app.extensions["captures"] = importing.Reader()
    app.extensions["held_captures"] = HeldFiles()


@blueprint.route("/log/import", methods=["GET", "POST"])
@access.takes(CAPTURE_BYTES)
@access.writer_only
def take_capture() -> AnyResponse | str | tuple[str, int]:
    """A file dropped on the page: shown as understood, or stored as runs."""
    from rig.actions import capture_maps

    if request.method == "GET":
        return _page({})
    files: HeldFiles = current_app.extensions["held_captures"]
    sent, token = request.files.get("capture"), request.form.get("held", "")
    if sent is not None and sent.filename:
        files.drop(token)
        token = files.hold(sent)
    held = files.get(token)
    setup = _setups().get(request.form.get("setup", ""))
    if held is None:
        return _page(_problem("no file was sent", "choose or drop a file")), 400
    if setup is None:
        return _page(_problem("no setup was chosen", "say how the lines are wired"), token), 400
    heavy.not_beside_a_run()
    (held.path.parent / importing.PROGRESS).unlink(missing_ok=True)
    held.watch = request.form.get("watch", "")[:64]
    tried = None if sent is not None and sent.filename else _typed_map()
    maps = capture_maps.all_kept() if tried is None else {"": tried}
    reader: importing.Reader = current_app.extensions["captures"]
    question = {
        "path": str(held.path), "setup": setup["text"], "setup_name": setup["name"], "maps": maps,
        "resolution": request.form.get("resolution", "")[:40],
    }  # fmt: skip
    with heavy.turn():
        answer = reader.read(question, gone=heavy.nobody_waits())
    if "problems" in answer:
        return _page(answer, token), 400
    confirmed = answer.get("plan") or {}
    keeps = request.form.get("keep") == "yes"
    if not keeps or (confirmed.get("map") and not confirmed["sure"]):
        return _page(answer, token)
    numbers = heavy.do(
        "store", log=str(current_app.config["RUN_LOG"]), folder=held.folder.name,
        runs=answer["runs"], setup=setup, file_name=held.name, typed=_typed_names(),
    )["runs"]  # fmt: skip
    if confirmed.get("map"):
        with contextlib.suppress(OSError):
            capture_maps.keep_shape(confirmed["key"], confirmed["map"])
    files.drop(token)
    if len(numbers) == 1:
        return redirect(url_for("pages.one_run", run_id=numbers[0]))
    return redirect(url_for("pages.run_list", source="capture"))


@blueprint.get("/log/import/progress")
@access.writer_only
def progress() -> JsonObject:
    """Progress of reading an upload: bytes read, and of how many; null before that."""
    held = current_app.extensions["held_captures"].watched(request.args.get("watch", ""))
    if held is None:
        return {"read": None, "of": None}
    try:
        read = int((held.path.parent / importing.PROGRESS).read_text())
    except (OSError, ValueError):
        return {"read": None, "of": None}
    return {"read": read, "of": held.path.stat().st_size}


def _problem(what: str, remedy: str) -> JsonObject:
    return {"problems": [importing.problem(what, remedy)]}


def _typed_names() -> dict[str, str | None]:
    names = ("valve", "job", "by")
    return {name: request.form.get(name, "").strip()[:200] or None for name in names}


def _typed_map() -> JsonObject | None:
    """The form's column map as JSON, for CaptureMap to validate; None if it has none."""
    from rig.captures.mapping import TIME_ROLES

    form = request.form
    names = form.getlist("column")[:COLUMNS_MOST]
    if not names:
        return None
    found: JsonObject = {"time": None, "time_unit": "sample", "signals": {}}
    found["rate_hz"] = form.get("rate_hz", "").strip() or None
    for n, name in enumerate(names):
        role = form.get(f"role-{n}", "")
        if role in TIME_ROLES:
            found["time"], found["time_unit"] = name, TIME_ROLES[role]
        elif role:
            column: JsonObject = {"name": name, "inverted": form.get(f"not-{n}") == "yes"}
            for key in ("below", "above", "scale"):
                if text := form.get(f"{key}-{n}", "").strip().replace(",", "."):
                    column[key] = text
            found["signals"][role] = column
    return found


def _setups() -> dict[str, dict[str, str]]:
    """Setups that a capture may be read with: those of the page, then those of the newest runs."""
    found: dict[str, dict[str, str]] = {}
    hub = current_app.extensions.get("hub")
    if hub is not None:
        for name, path in hub.files.setups.items():
            found[name] = {"text": path.read_text(), "name": path.name}
    with contextlib.suppress(log.NoLogYet):
        opened = log.run_log()
        for row in opened.runs(30):
            stored = opened.load(row.id)
            header = stored.header
            if hides_truth(stored):
                continue
            label = f"as in run {row.id}: {header.setup_name}"
            if not any(one["text"] == header.setup_text for one in found.values()):
                found[label] = {"text": header.setup_text, "name": header.setup_name}
    return found


def _page(answer: JsonObject, token: str = "") -> str:
    from rig.captures.columns import SIGNALS
    from rig.captures.mapping import TIME_ROLES

    held = current_app.extensions["held_captures"].get(token)
    plan = answer.get("plan") or {}
    roles: dict[str, list[str]] = {column["name"]: [] for column in plan.get("columns", ())}
    stated = plan.get("map") or {"time": None, "signals": {}}
    for role, column in stated["signals"].items():
        roles.setdefault(column["name"], []).append(role)
    if stated["time"] is not None:
        unit = stated["time_unit"]
        roles[stated["time"]] = [next(r for r, of in TIME_ROLES.items() if of == unit)]
    return render_template(
        "import.html", problems=answer.get("problems", []), understood=answer.get("runs"),
        name=held.name if held else "", held=token if held else "", plan=plan, roles_of=roles,
        roles=(*TIME_ROLES, *SIGNALS), setups=list(_setups()),
        chosen=request.form.get("setup", ""), size=held.path.stat().st_size if held else 0,
    )  # fmt: skip
