# SPDX-License-Identifier: MIT
"""`python -m webui.work.heavy`: one job that takes the processor for seconds, in its own
low-priority process, because the page's stop and its live data share the page's interpreter.

One line of JSON in, one out. The jobs and their inputs are in WORK; {"fault": [...]} if one cannot
be done.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
import uuid
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from flask import current_app, has_request_context, request

from rig.core.errors import RigError, UsageError
from rig.core.json_values import JsonObject
from rig.text.file_names import file_stem
from webui.faults import PageFault
from webui.work import importing

if TYPE_CHECKING:
    from rig.runlog.store import RunLog
    from webui.run.run_view import RunView

WITHIN_S = 600.0
CHUNK_RECORDS = 2000
AT_ONCE = 2 if (os.cpu_count() or 1) >= 4 else 1
QUEUE_S, QUEUE_MOST = 2.0, 4
"""How long work waits for its turn, and how much at once: each holds a thread of the page."""
READS = {"export", "run", "results", "pdf"}
"""Work that leaves nothing behind: it is cancelled when nobody waits for its answer any more."""
_turns, _queue = threading.BoundedSemaphore(AT_ONCE), threading.BoundedSemaphore(QUEUE_MOST)


def do(work: str, **needed: object) -> JsonObject:
    """Do it and wait for it. Raises PageFault if it cannot be done, or too many are requested at
    once."""
    with turn():
        return _done(work, needed)


@contextlib.contextmanager
def turn() -> Iterator[None]:
    """Wait for a turn to do one heavy job. Raises PageFault if too many are waiting."""
    taken = _turns.acquire(blocking=False)
    if not taken and _queue.acquire(blocking=False):
        try:
            taken = _turns.acquire(timeout=QUEUE_S)
        finally:
            _queue.release()
    if not taken:
        raise PageFault(
            429, "Not now", "As many exports and files as may be are being worked on.",
            "Wait a minute, go back, and ask again.",
        )  # fmt: skip
    try:
        yield
    finally:
        _turns.release()


def _done(work: str, needed: JsonObject) -> JsonObject:
    gone = nobody_waits() if work in READS else _never
    with tempfile.TemporaryFile("w+") as question:
        json.dump({"work": work, **needed}, question)
        question.seek(0)
        with subprocess.Popen(
            [sys.executable, "-m", "webui.work.heavy"], text=True, start_new_session=True,
            stdin=question, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        ) as process:  # fmt: skip
            try:
                said = _said(process, gone)
            finally:
                process.kill()
    try:
        answer: JsonObject = json.loads(said)
    except ValueError:
        raise PageFault(
            500, "It could not be done", "It took more time or memory than one piece of work may.",
            "Do it for fewer runs at once.",
        ) from None  # fmt: skip
    if "fault" in answer:
        raise PageFault(*answer["fault"])
    return answer


def _said(process: subprocess.Popen[str], gone: Callable[[], bool]) -> str:
    """The process's answer; empty on timeout, or if nobody waits."""
    until_s = time.monotonic() + WITHIN_S
    while not gone() and (left_s := until_s - time.monotonic()) > 0:
        with contextlib.suppress(subprocess.TimeoutExpired):
            return process.communicate(timeout=min(importing.LOOK_S, left_s))[0]
    return ""


def nobody_waits() -> Callable[[], bool]:
    """A function, callable from any thread, that tells whether this request's browser has gone."""
    found: Callable[[], bool] | None = None
    if has_request_context():
        found = request.environ.get("waitress.client_disconnected")
    return found or _never


def _never() -> bool:
    return False


def not_beside_a_run() -> None:
    """Refuse processor-heavy work while the rig is looked at, armed or at work: the bench
    depends on the processor for its timing. Raises PageFault."""
    hub = current_app.extensions.get("hub")
    if hub is not None and not hub.at_rest:
        raise PageFault(
            409, "Not while the rig is in use", "It would take the processor from the bench.",
            "Wait for the end of the run, or leave the rig where it is only looked at; then go "
            "back and ask again. Nothing was changed.",
        )  # fmt: skip


# -- inside the process


def export(log: str, runs: list[int], kind: str, archive: str) -> JsonObject:
    """Several runs in one archive, each as in the single run's export."""
    from webui.app import create_app
    from webui.run import run_view

    with (
        create_app({"RUN_LOG": log}).app_context(),
        zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as kept,
        tempfile.TemporaryDirectory(prefix="rig-export-") as folder,
    ):
        for number in runs:
            view = run_view.open_run(number)
            header = view.stored.header
            path = Path(folder) / f"{file_stem(number, header.valve, header.source)}.{kind}"
            _write(view, kind, path)
            kept.write(path, path.name)
            path.unlink()
    return {}


def one_run(log: str, run: int, kind: str, file: str) -> JsonObject:
    """One run as a file, as the command line writes it."""
    from webui.app import create_app
    from webui.run import run_view

    with create_app({"RUN_LOG": log}).app_context():
        _write(run_view.open_run(run), kind, Path(file))
    return {}


def _write(view: RunView, kind: str, path: Path) -> None:
    from rig.captures import write_csv, write_json, write_vcd

    if kind == "json":
        write_json(view.result or {}, view.recording, path)
    else:
        {"csv": write_csv, "vcd": write_vcd}[kind](view.recording, path)


def as_pdf(documents: list[str], sheets: int, file: str) -> JsonObject:
    """Draw a report: {"missing": what this computer lacks for it, or nothing}."""
    from rig.report import pdf

    try:
        Path(file).write_bytes(pdf.to_pdf(documents, sheets))
    except UsageError as error:
        return {"missing": str(error)}
    return {"missing": ""}


def results(log: str, runs: list[int], file: str, *, by_stroke: bool) -> JsonObject:
    """The results of several runs as one table: a row a run, or a row a stroke."""
    from rig.actions.results_file import write_results
    from rig.runlog.store import RunLog

    with (
        RunLog.reading(Path(log)) as opened,
        Path(file).open("w", encoding="utf-8", newline="") as out,
    ):
        write_results(opened, runs, out, by_stroke=by_stroke)
    return {}


def store(
    log: str, folder: str, runs: list[JsonObject], setup: dict[str, str], file_name: str,
    typed: dict[str, str | None],
) -> JsonObject:  # fmt: skip
    """Store captured runs in the log, each with its result: {"runs": their numbers}."""
    from rig.runlog.store import RunLog

    with RunLog(Path(log)) as opened:
        return {
            "runs": [_store(opened, Path(folder), run, setup, file_name, typed) for run in runs]
        }


def _store(
    log: RunLog, folder: Path, run: JsonObject, setup: dict[str, str], file_name: str,
    typed: dict[str, str | None],
) -> int:  # fmt: skip
    from rig import __version__
    from rig.actions.analyse_run import analyse_and_save
    from rig.config.files.loading import setup_from_text
    from rig.core.clock import read_wall_time
    from rig.core.records import END_REASONS
    from rig.runlog.header import RunHeader

    loaded = setup_from_text(setup["text"], setup["name"])
    of_run = f", run {run['name']}" if run["name"] is not None else ""
    header = RunHeader(
        source="capture",
        setup_text=setup["text"], setup_hash=loaded.hash, setup_name=setup["name"],
        software=f"solenoid-rig {__version__}",
        wall=read_wall_time(),
        valve=typed["valve"], job=typed["job"], by=typed["by"],
        note=f"capture {file_name[:200]}{of_run}",
        uid=uuid.uuid4().hex,
    )  # fmt: skip
    number: int = log.begin_run(header)
    try:
        with (folder / run["records"]).open("rb") as file:
            lines: list[bytes] = []
            for line in file:
                lines.append(line)
                if len(lines) == CHUNK_RECORDS:
                    log.append_chunk(number, len(lines), b"".join(lines))
                    lines.clear()
            if lines:
                log.append_chunk(number, len(lines), b"".join(lines))
    except BaseException:  # not left marked as still running
        log.end_run(number, "fault", ended_utc_s=time.time())
        raise
    log.end_run(number, END_REASONS[0], ended_utc_s=time.time())
    with contextlib.suppress(RigError):
        analyse_and_save(log, number)
    return number


def attach(log: str, of: str, number: int, path: str, name: str, by: str, words: str) -> JsonObject:
    """Check and store a photo or document: {"wrong": the reason it was refused, or nothing}."""
    from rig.actions import attach as action
    from rig.runlog.store import RunLog

    try:
        with RunLog(Path(log)) as opened:
            action.attach(opened, of, number, Path(path), name, by=by, words=words)
    except UsageError as error:
        return {"wrong": str(error)}
    return {"wrong": ""}


def backup(log: str, target: str) -> JsonObject:
    """A copy of the log as one file."""
    from rig.runlog import copies

    copies.back_up(Path(log), Path(target))
    return {}


WORK: dict[str, Callable[..., JsonObject]] = {
    "export": export, "run": one_run, "results": results, "pdf": as_pdf, "store": store,
    "attach": attach, "backup": backup,
}  # fmt: skip


def main() -> None:
    """Do one job."""
    importing.limit_memory()
    out, sys.stdout = sys.stdout, sys.stderr  # a stray print must not be taken for the answer
    question = json.loads(sys.stdin.read())
    try:
        answer = WORK[question.pop("work")](**question)
    except PageFault as fault:
        answer = {"fault": [fault.status, fault.title, fault.what, fault.remedy, fault.id]}
    except (RigError, OSError) as error:
        answer = {
            "fault": [
                500, "It could not be done", str(error), "Fix the cause and try again.",
                error.id if isinstance(error, RigError) else "",
            ]
        }  # fmt: skip
    out.write(json.dumps(answer))


if __name__ == "__main__":
    main()
