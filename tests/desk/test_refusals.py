# SPDX-License-Identifier: MIT
"""What the bench refuses or breaks off: the first reason is kept, and a coil that its bench lost
is taken by the guard and latched."""

from __future__ import annotations

import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from live_runs import SETUP, SHEET, write_files

from rig.actions import conduct_run
from rig.cli.run import command
from rig.core import state_file
from rig.core.records import BENCH_LOST, OFF_STATES
from rig.core.state_file import RigState
from rig.desk.guard import Taken
from rig.desk.outcome import Outcome
from rig.desk.session import Session, Watcher

RIG = RigState("none-line17", "board", "none", 17)


class Guarding:
    def __init__(self, off: str | None) -> None:
        self.off, self.taken = off, 0

    def take_over(self, _: object, *, doubted: bool) -> Taken:
        self.taken += not doubted
        return Taken(self.off, f"Coil: {self.off}.")

    def insist(self, *_: object, doubted: bool) -> None:
        """Goes on trying where the line was not to be had."""


def session(path: Path, off: str | None) -> Any:
    made: Any = Session.__new__(Session)
    made.outcome, made.watcher, made.early = Outcome(started=True), Watcher(), None
    made._guarding, made._processes = Guarding(off), SimpleNamespace(bench=None)
    made._state, made._rig, made._readback_doubted = path, RIG, False
    made._wires, made._guard_s = SimpleNamespace(heard=time.monotonic()), 0.5
    return made


@pytest.mark.parametrize(
    ("told", "off", "code"),
    [
        ({"exit_code": 6}, OFF_STATES[0], 7),
        ({"exit_code": 6}, OFF_STATES[2], 6),
        ({"exit_code": 6}, None, 6),
        ({"exit_code": 7, "fault": True}, OFF_STATES[1], 7),
    ],
)
def test_a_bench_that_lost_the_coil_is_guarded_and_latched(
    tmp_path: Path, told: dict[str, Any], off: str | None, code: int
) -> None:
    made = session(tmp_path / "none-line17.json", off)
    made._hear({"tell": "refused", "why": "The output failed.", **told})
    assert made._guarding.taken == 1 and made.outcome.code == code
    assert "The output failed." in made.outcome.message and f"Coil: {off}." in made.outcome.message
    state = state_file.read(tmp_path / "none-line17.json")
    assert state is not None and state.trip is not None and state.trip.rule == BENCH_LOST


def test_a_refusal_before_the_start_takes_nothing(tmp_path: Path) -> None:
    made = session(tmp_path / "none-line17.json", None)
    made.outcome.started = False
    made._hear({"tell": "refused", "why": "Nobody confirmed.", "exit_code": 4})
    assert made._guarding.taken == 0 and made.outcome.code == 4
    assert not (tmp_path / "none-line17.json").exists()


def test_who_did_not_press_the_confirm_button_hears_that_and_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    setup = SETUP.replace("[limits]", "[confirm_input]\nline = 16\n[limits]")
    words = [*write_files(tmp_path, setup, SHEET), "--json"]
    options = dict(command.make_context("run", words).params)
    from_page = property(lambda _: "page", lambda *_: None)
    monkeypatch.setattr(Session, "armed_from", from_page, raising=False)
    begin = time.monotonic()
    code = conduct_run.Run(options.pop("setup"), options.pop("sheet"), options).go()
    told = capsys.readouterr().err
    assert code == 4 and "press the confirm button" in told
    assert "cannot become running" not in told and "did not store everything" not in told
    assert time.monotonic() - begin < 20, "it waited for a recorder that had nothing to store"
