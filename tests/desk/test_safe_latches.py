# SPDX-License-Identifier: MIT
"""`rig safe` that had to act leaves a latch, and knows when nothing was ever started."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from live_runs import live_run, rig

from rig.cli import safe as cli_safe
from rig.core import coil_heat, places, state_file
from rig.core.clock import boot_id
from rig.core.errors import HardwareError, StorageError
from rig.core.records import NOT_CONFIRMED_OFF, RELEASE_NOT_SEEN
from rig.core.state_file import Owner, RigState
from rig.desk import safe

DEAD = Owner(2**22 + 1, 5, boot_id())
BOARD = RigState("no-such-chip-line17", "board", "no-such-chip", 17, owner=DEAD)


def write(state: RigState) -> Path:
    path = state_file.state_path(places.state_dir(), state.rig)
    state_file.write(path, state)
    return path


def read(path: Path) -> RigState:
    state = state_file.read(path)
    assert state is not None
    return state


def test_a_line_of_a_dead_bench_that_cannot_be_taken_is_latched_as_not_confirmed() -> None:
    path = write(BOARD)
    coil_heat.mark_open(path)
    with pytest.raises(HardwareError):
        safe.make_safe(path)
    state = read(path)
    assert state.trip is not None and state.trip.rule == RELEASE_NOT_SEEN
    assert NOT_CONFIRMED_OFF in state.trip.message and state.owner == DEAD
    kept = coil_heat.read(coil_heat.heat_path(path))
    assert kept is not None and kept.open, "the coil may be heating still"


def test_a_latch_that_could_not_be_written_is_not_called_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = write(replace(BOARD, rig="simulated-line17", backend="simulated"))

    def read_only(*_: object) -> None:
        raise StorageError("the disk is mounted read-only")

    monkeypatch.setattr(state_file, "write", read_only)
    made = safe.make_safe(path)
    assert made is not None and "; latched as a trip" not in made.words
    assert "NOT latched as a trip" in made.words and "mounted read-only" in made.words


def test_a_dead_bench_is_latched_its_owner_ended_and_the_coil_cools_from_here() -> None:
    path = write(replace(BOARD, rig="simulated-line17", backend="simulated"))
    coil_heat.mark_open(path)
    made = safe.make_safe(path)
    assert made is not None and RELEASE_NOT_SEEN in made.words
    state = read(path)
    assert state.owner is None and state.trip is not None
    assert "took its line. Coil: " in state.trip.message
    kept = coil_heat.read(coil_heat.heat_path(path))
    assert kept is not None and not kept.open and kept.unknown == coil_heat.UNCLEAN


@pytest.mark.parametrize("owner", [None, replace(DEAD, boot_id="another")])
def test_a_line_nobody_of_this_boot_held_is_no_trip(owner: Owner | None) -> None:
    path = write(replace(BOARD, rig="simulated-line17", backend="simulated", owner=owner))
    assert safe.make_safe(path) is not None
    assert read(path).trip is None


def test_a_bench_of_somebody_else_is_not_overlooked(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    words = [sys.executable, "-m", "rig.compose", "0", "0"]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stderr=subprocess.DEVNULL) as bench:
        try:
            os.kill(bench.pid, signal.SIGSTOP)  # or it ends by itself, without a plan
            assert bench.pid not in safe.unknown_benches(), "it holds no GPIO chip"
            may_hold = safe._may_hold
            only = str(bench.pid)
            monkeypatch.setattr(safe, "_may_hold", lambda path: path.name == only or may_hold(path))
            assert bench.pid in safe.unknown_benches()
            assert cli_safe._others(set(), places.data_dir()) == 6
            assert cli_safe._others({bench.pid}, places.data_dir()) == 0
            assert NOT_CONFIRMED_OFF in capsys.readouterr().err
        finally:
            os.kill(bench.pid, signal.SIGKILL)
    monkeypatch.setattr(safe, "unknown_benches", list)
    assert cli_safe._make_all_safe(None) == 0
    assert "nothing to release" in capsys.readouterr().out


def test_a_lost_state_file_is_not_hidden_by_another_rigs(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    known = write(replace(BOARD, rig="simulated-line17", backend="simulated", owner=None))
    monkeypatch.setattr(safe, "unknown_benches", lambda: [4711])
    assert cli_safe._make_all_safe(None) == 6
    said = capsys.readouterr()
    assert f"{known.stem}: " in said.out and "4711" in said.err and NOT_CONFIRMED_OFF in said.err


def test_a_folder_that_cannot_be_read_is_not_an_empty_one(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """As for another account than the one that started the rig; root may read everything."""
    write(BOARD)

    def denied(_: Path) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "iterdir", denied)
    monkeypatch.setattr(safe, "unknown_benches", list)
    for setup in (None, tmp_path):
        assert cli_safe._make_all_safe(setup) == 6
        said = capsys.readouterr()
        assert NOT_CONFIRMED_OFF in said.err and "nothing to release" not in said.out


@pytest.mark.parametrize("listens", [True, False])
def test_a_bench_whose_state_file_is_lost_is_stopped_or_at_least_not_called_off(
    tmp_path: Path, listens: bool
) -> None:
    with live_run(tmp_path) as run:
        run.wait_strokes(2)
        path = state_file.state_path(places.state_dir(), "simulated-line17")
        os.kill(run.recorder_pid(), signal.SIGSTOP)  # it would end the run by itself
        path.unlink()
        if not listens:
            path.with_suffix(".sock").unlink()
        made = rig("safe", *([] if listens else [str(tmp_path / "a.setup.toml")]))
        os.kill(run.recorder_pid(), signal.SIGCONT)
        if listens:
            assert made.returncode == 0 and "confirmed off; its program, which no" in made.stdout
            assert run.finish()[0] == 3
        else:
            assert made.returncode == 6 and NOT_CONFIRMED_OFF in made.stderr
            assert "off;" not in made.stdout
            run.process.send_signal(signal.SIGINT)
            run.finish()
