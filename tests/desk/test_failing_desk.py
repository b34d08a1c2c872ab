# SPDX-License-Identifier: MIT
"""A desk whose display fails in mid-run: the bench is still stopped, heard out and guarded."""

from __future__ import annotations

import contextlib
import json
import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from live_runs import write_files

from rig.actions import conduct_run
from rig.cli.run import command
from rig.core import places, state_file
from rig.desk.session import Watcher
from rig.runlog.store import RunLog


class FailsAtTheThirdStroke(Watcher):
    """`then` is done just before it fails."""

    def __init__(self, then: Any = None) -> None:
        self._then = then

    def record(self, line: bytes) -> None:
        record = json.loads(line)
        if record[0] == "C" and record[1] and record[4] == 3:
            if self._then is not None:
                self._then()
            raise BrokenPipeError("the terminal is gone")


def run_with(watcher: Watcher, folder: Path, monkeypatch: pytest.MonkeyPatch) -> int:
    @contextlib.contextmanager
    def view(*_: Any, **__: Any) -> Iterator[Watcher]:
        yield watcher

    monkeypatch.setattr(conduct_run, "view", view)
    words = [*write_files(folder), "--json"]
    options = dict(command.make_context("run", words).params)
    return conduct_run.Run(options.pop("setup"), options.pop("sheet"), options).go()


def test_the_run_is_stopped_and_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_with(FailsAtTheThirdStroke(), tmp_path, monkeypatch) == 3
    told = capsys.readouterr().err
    assert "Stopped: it could no longer be shown (BrokenPipeError: the terminal is gone)" in told
    assert "Coil: confirmed off. What was recorded is kept." in told
    with RunLog.reading(places.log_path()) as log:
        stored = log.load(log.runs(limit=1)[0].id)
    assert stored.end is not None and stored.end.reason == "aborted"


def test_the_guard_goes_on_when_the_bench_hangs_at_the_same_instant(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = state_file.state_path(places.state_dir(), "simulated-line17")

    def hang() -> None:
        state = state_file.read(path)
        assert state is not None and state.owner is not None
        os.kill(state.owner.pid, signal.SIGSTOP)

    assert run_with(FailsAtTheThirdStroke(hang), tmp_path, monkeypatch) == 7
    told = capsys.readouterr().err
    assert "the guard ended it" in told and "Coil: confirmed off" in told
    state = state_file.read(path)
    assert state is not None and state.trip is not None and state.trip.rule == "bench lost"
