# SPDX-License-Identifier: MIT
"""Back up the run log and what lies beside it, from the page."""

from __future__ import annotations

import shlex
import tempfile
import time
from pathlib import Path

from flask import (
    Blueprint,
    Flask,
    current_app,
    make_response,
    redirect,
    render_template,
    request,
    send_file,
    url_for,
)
from werkzeug.wrappers import Response

from rig.actions.attach import FLOOR_MB
from rig.actions.last_backup import OLD_S
from rig.recorder.disk import ROOM_REMEDY, free_mb, room_words
from rig.runlog import copies
from webui import access, log
from webui.faults import PageFault
from webui.work import heavy, logwork

blueprint = Blueprint("backup", __name__)
blueprint.after_request(logwork.tell_it_comes)


def install(app: Flask) -> None:
    """Config: BACKUP_FOLDERS, where copies may be stored besides a download."""
    app.config.setdefault("BACKUP_FOLDERS", [])
    app.jinja_env.globals.update(backup_age=age)


def _path() -> Path:
    return Path(current_app.config["RUN_LOG"])


def age() -> tuple[str, bool]:
    """Age of the newest copy, in words, and whether it is too old."""
    last = copies.last(_path())
    if last is None:
        return "none was made yet", True
    old_s = max(0.0, time.time() - last.utc_s)
    days = int(old_s // 86_400)
    told = "today" if not days else "a day ago" if days == 1 else f"{days} days ago"
    return f"last made {told}", not old_s <= OLD_S


@blueprint.get("/log/backup")
def show() -> str:
    """What a copy holds, when the last was made, and where one may be stored."""
    log.run_log()
    words, old = age()
    return render_template(
        "backup.html", last=copies.last(_path()), words=words, old=old,
        megabytes=copies.size_beside(_path()) / 1e6, folders=current_app.config["BACKUP_FOLDERS"],
        way_back=way_back(_path()),
    )  # fmt: skip


def way_back(path: Path) -> str:
    """What to type in order to go back to a copy of the log at `path`. It ends at the first step
    that fails: typed twice, it may not put one log over another."""
    folder, now = shlex.quote(str(path.parent)), shlex.quote(str(path))
    aside = shlex.quote(str(path.parent / f"put-aside-{time.strftime('%Y%m%dT%H%M%S')}"))
    return (
        f"mkdir {aside} &&\nmv {now}* {aside} &&\ncp COPY.sqlite {now} &&\n"
        f"RIG_DATA={folder} rig recover"
    )


@blueprint.post("/log/backup")
@access.operator_only
def take() -> Response:
    """Make a copy: into one of the folders named at the start, or as a download."""
    log.run_log()
    heavy.not_beside_a_run()
    wanted = request.form.get("to", "")
    folders = {str(folder): Path(folder) for folder in current_app.config["BACKUP_FOLDERS"]}
    if wanted and wanted not in folders:
        what = "This folder was not named when the page was started."
        raise PageFault(400, "Nothing was copied", what, "Start rig serve with --backup-to FOLDER.")
    folder = folders.get(wanted, _path().parent)
    _require_room(folder, 10.0 if wanted else FLOOR_MB)
    name = f"rig-copy-{time.strftime('%Y%m%dT%H%M%SZ', time.gmtime())}.sqlite"
    if wanted:
        heavy.do("backup", log=str(_path()), target=str(folder / name))
        made = folder / name
        copies.note(_path(), str(made), made.stat().st_size, made)
        return redirect(url_for("backup.show"), 303)
    with tempfile.TemporaryDirectory(prefix=".copy-", dir=folder) as kept:
        target = Path(kept) / name
        heavy.do("backup", log=str(_path()), target=str(target))
        copies.note(_path(), "downloaded", target.stat().st_size, target)
        # the file's name may go: the open file stays until the answer is sent
        return make_response(
            send_file(target.open("rb"), "application/vnd.sqlite3", as_attachment=True,
                      download_name=name)
        )  # fmt: skip


def _require_room(folder: Path, floor_mb: float) -> None:
    needed = copies.size_beside(_path()) / 1e6 + floor_mb
    try:
        free = free_mb([folder])
    except OSError as error:
        raise PageFault(
            409, "Nothing was copied", f"The folder {folder} is not there ({error.strerror}).",
            "Plug in and mount its disk, then ask again.",
        ) from error  # fmt: skip
    if not free >= needed:
        raise PageFault(
            409, "Nothing was copied",
            f"{room_words(free)} are free on the disk of {folder}; a copy needs "
            f"{room_words(needed)}.",
            ROOM_REMEDY,
        )  # fmt: skip
