# SPDX-License-Identifier: MIT
"""The run log as a request sees it: opened read-only for that request, closed after it."""

from __future__ import annotations

from collections import OrderedDict
from pathlib import Path
from threading import Lock
from typing import cast

from flask import Flask, current_app, g

from rig.config.loading import setup_from_text
from rig.core.errors import UsageError
from rig.core.recording import Recording, RecordingBuilder
from rig.runlog.schema import NoLogError
from rig.runlog.store import RunLog, StoredRun
from webui.faults import PageFault

KEPT = 4
"""Recordings held in memory: decoding a long run takes seconds on a small board."""


class NoLogYet(Exception):
    """There is no run log at `path`: nothing was run yet, or it is kept elsewhere."""

    def __init__(self, path: Path) -> None:
        self.path = path
        super().__init__(str(path))


class Recordings:
    """The last few decoded recordings. Stored records never change, so none of them goes stale;
    a run that still goes on is another entry whenever it has more records."""

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[str, int], Recording] = OrderedDict()
        self._lock = Lock()

    def of(self, run: StoredRun) -> Recording:
        """The recording of a stored run; raises FileProblems, StorageError or ValueError."""
        key = (run.header.uid, run.n_records)
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        recording = decode(run)  # outside the lock: other runs need not wait for this one
        with self._lock:
            self._kept[key] = recording
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        return recording


def decode(run: StoredRun) -> Recording:
    """All stored records as one recording, with the levels that its setup states."""
    setup = setup_from_text(run.header.setup_text, run.header.setup_name).setup
    builder = RecordingBuilder(run.header.source, setup.switch_closed_level, setup.coil_live_level)
    for text in run.chunks():
        builder.add_lines(text)
    return builder.build()


def install(app: Flask) -> None:
    """Close at the end of a request what it opened."""
    app.extensions["recordings"] = Recordings()

    @app.teardown_appcontext
    def _close(_error: BaseException | None) -> None:
        opened = g.pop("run_log", None)
        if opened is not None:
            opened.close()


def run_log() -> RunLog:
    """This request's run log. Raises NoLogYet where there is none."""
    if "run_log" not in g:
        path = Path(current_app.config["RUN_LOG"])
        try:
            g.run_log = RunLog(path, readonly=True)
        except NoLogError as error:
            raise NoLogYet(path) from error
    return cast(RunLog, g.run_log)


def stored_run(run_id: int) -> StoredRun:
    """The run of this number; a plain 404 where there is none."""
    try:
        return run_log().load(run_id)
    except UsageError as error:
        raise PageFault(
            404,
            f"There is no run {run_id}",
            f"The run log {run_log().path} has no run of this number.",
            "Go back to the run log and choose one.",
        ) from error


def recording_of(run: StoredRun) -> Recording:
    """The decoded recording of a stored run, kept for the next question."""
    recordings = cast(Recordings, current_app.extensions["recordings"])
    return recordings.of(run)
