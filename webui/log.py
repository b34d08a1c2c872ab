# SPDX-License-Identifier: MIT
"""The run log within a request: opened read-only for that request, closed after it."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import cast

from flask import Flask, current_app, g

from rig.actions.analyse_run import recording_of, texts_of
from rig.core.errors import UsageError
from rig.core.recording import Recording
from rig.core.results.run import Result
from rig.runlog.schema import NoLogError
from rig.runlog.store import RunLog, StoredRun
from webui.faults import PageFault

KEPT = 4
"""Recordings held in memory: decoding a long run takes seconds on a small board."""


class NoLogYet(Exception):
    """There is no run log at `path`: nothing was run yet, or it is stored elsewhere."""

    def __init__(self, path: Path) -> None:
        self.path = path
        super().__init__(str(path))


@dataclass
class Decoded:
    """A recording and, if requested, the result computed from it."""

    recording: Recording
    result: Result | None = None


class Recordings:
    """Cache of the last few decoded recordings. Stored records never change, so none goes stale; a
    run still in progress gets a new entry whenever it has more records."""

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[str, str, int], Decoded] = OrderedDict()
        self._lock = Lock()

    def of(self, run: StoredRun) -> Decoded:
        """The recording of a stored run; raises PageFault, StorageError or ValueError."""
        key = (run.header.uid, run.status, run.n_records)
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        found = decode(run)  # outside the lock: other runs need not wait for this one
        with self._lock:
            self._kept[key] = found
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        return found


def decode(run: StoredRun) -> Decoded:
    """All stored records as one recording. Refused if the setup cannot be read: the levels of the
    lines would have to be guessed."""
    setup, _ = texts_of(run)
    if setup is None:
        raise unreadable(run)
    return Decoded(recording_of(run, setup))


def unreadable(run: StoredRun) -> PageFault:
    """Why this run's records exist but cannot be shown."""
    return PageFault(
        500,
        "The raw records cannot be shown",
        f"The setup or sheet stored with run {run.id} cannot be read by this software.",
        f"Show it with the software that recorded it: {run.header.software}.",
    )


def install(app: Flask) -> None:
    """Close at the end of a request whatever it opened."""
    app.extensions["recordings"] = Recordings()

    @app.teardown_appcontext
    def _close(_error: BaseException | None) -> None:
        opened = g.pop("run_log", None)
        if opened is not None:
            opened.close()


def run_log() -> RunLog:
    """This request's run log. Raises NoLogYet if there is none."""
    if "run_log" not in g:
        path = Path(current_app.config["RUN_LOG"])
        try:
            g.run_log = RunLog.reading(path)  # an older format is brought up to date
        except NoLogError as error:
            raise NoLogYet(path) from error
    return cast(RunLog, g.run_log)


def stored_run(run_id: int) -> StoredRun:
    """The run of this number; a plain 404 if there is none."""
    try:
        return run_log().load(run_id)
    except UsageError as error:
        raise PageFault(
            404,
            f"There is no run {run_id}",
            "The run log has no run of this number.",
            "Go back to the run log and choose one.",
        ) from error


def decoded(run: StoredRun) -> Decoded:
    """The recording of a stored run, cached for the next request."""
    return cast(Recordings, current_app.extensions["recordings"]).of(run)
