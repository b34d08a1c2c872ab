# SPDX-License-Identifier: MIT
"""While a person is asked something: signals end the question, and the bench is heard."""

from __future__ import annotations

import os
import signal
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from rig.actions import confirmation
from rig.core import messages
from rig.core.errors import RefusedError
from rig.core.preflight import Preflight
from rig.core.state_file import RigState
from rig.desk.session import Session
from rig.desk.signals import StopSignals

FOUND = Preflight(
    [], [], [{"rule": "over-pressure", "reaction_ms": None, "why": ""}], "board", {}, False
)


class Ends:
    """The desk's ends of two processes, and the test's."""

    def __init__(self) -> None:
        self.desk, self.bench = socket.socketpair()
        self.desk.setblocking(False)
        self.status, self.recorder = os.pipe()


@pytest.fixture
def ends() -> Iterator[Ends]:
    both = Ends()
    yield both
    for sock in (both.desk, both.bench):
        sock.close()
    for fd in (both.status, both.recorder):
        os.close(fd)


def test_the_bench_is_heard_and_answered_while_a_person_thinks(ends: Ends, tmp_path: Path) -> None:
    state = RigState("simulated-line17", "simulated", "x", 17)
    with StopSignals() as signals:
        session = Session(ends, tmp_path / "simulated-line17.json", state, 0.5, signals)
        with session.attended():
            until = time.monotonic() + 20
            beats = 0
            while beats < 3 and time.monotonic() < until:
                ends.bench.sendall(messages.tell("status", state="ready").encode() + b"\n")
                beats += ends.bench.recv(65_536).count(b'"beat"')
        assert beats >= 3
        assert session._wires.take_told()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGTSTP])
def test_a_signal_ends_a_question_at_once(number: int) -> None:
    with StopSignals() as signals:
        with pytest.raises(KeyboardInterrupt), signals.prompting():
            os.kill(os.getpid(), number)
            time.sleep(5)
        assert signals.why is not None
        os.kill(os.getpid(), number)  # afterwards they only note again


def test_without_a_person_a_board_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    with Path(os.devnull).open() as nobody:
        monkeypatch.setattr("sys.stdin", nobody)
        with pytest.raises(RefusedError, match="needs a person"):
            confirmation.confirm(None, FOUND, False)


def test_not_watched_must_be_accepted_by_name() -> None:
    with pytest.raises(RefusedError, match="NOT WATCHED on this rig: over-pressure"):
        confirmation.confirm("somebody", FOUND, False)
    by, said = confirmation.confirm("somebody", FOUND, True)
    assert by == "somebody" and "accepted: NOT WATCHED on this rig: over-pressure" in said[-1]


def test_one_no_is_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    answers = iter([True, False])
    monkeypatch.setattr(click, "confirm", lambda *_, **__: next(answers))
    with pytest.raises(RefusedError, match="Not confirmed"):
        confirmation.confirm(None, FOUND, False)
