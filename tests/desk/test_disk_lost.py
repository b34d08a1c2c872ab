# SPDX-License-Identifier: MIT
"""A run whose disk fills up, or whose data folder or medium goes, on a real file system.

A small tmpfs stands for the card; mounting needs root, which continuous integration is.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from live_runs import SHEET, LiveRun, live_run, rig

from rig.core import places, state_file
from rig.core.records import Command, Condition, Trip, decode
from rig.recorder.raw_file import RawReader

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="only root may mount a small disk")
DISK_MB = 130
"""A run begins with 100 MB or more."""
LONG = SHEET.replace("strokes = 60", "strokes = 400")


def unmount(folder: Path) -> None:
    subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.fixture
def disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A small disk with the data folder on it, and a home elsewhere."""
    folder = tmp_path / "disk"
    folder.mkdir()
    options = f"size={DISK_MB}m"
    subprocess.run(["mount", "-t", "tmpfs", "-o", options, "rig", str(folder)], check=True)
    monkeypatch.setenv("RIG_DATA", str(folder / "data"))
    home = tmp_path / "home"
    home.mkdir()
    monkeypatch.setenv("HOME", str(home))
    yield folder
    with contextlib.suppress(subprocess.CalledProcessError):
        while os.path.ismount(folder):
            unmount(folder)


def released(path: Path) -> list[Command]:
    return [r for r in map(decode, RawReader(path).lines()) if isinstance(r, Command) and not r.on]


def kept_in(home: Path) -> Path:
    (path,) = home.glob("*.raw")
    return path


def gone_in_mid_run(run: LiveRun, take_away: object, home: Path) -> tuple[str, float, Path]:
    """What was said, seconds from the loss to the trip, and the raw file at home."""
    run.wait_strokes(3)
    lost_ns = time.monotonic_ns()
    assert callable(take_away)
    take_away()
    code, _, said = run.finish()
    assert code == 3, said
    path = kept_in(home)
    (trip,) = (r for r in map(decode, RawReader(path).lines()) if isinstance(r, Trip))
    assert trip.rule == "disk nearly full" and "no longer known" in trip.message
    return said, (trip.t_ns - lost_ns) / 1e9, path


@pytest.mark.parametrize("how", ["folder removed", "medium gone", "mounted folder gone"])
def test_a_medium_that_goes_is_a_trip_and_nothing_is_lost(
    disk: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    if how == "mounted folder gone":  # the folder is there afterwards: that of the disk below
        monkeypatch.setenv("RIG_DATA", str(disk))
    home = tmp_path / "home"

    def take_away() -> None:
        if how == "folder removed":
            shutil.rmtree(disk / "data")
        else:
            unmount(disk)

    with live_run(tmp_path, sheet=LONG) as run:
        said, after_s, path = gone_in_mid_run(run, take_away, home)
    assert after_s < 2.0, f"tripped after {after_s:.2f} s"
    assert str(path) in said and "rig recover" in said
    assert "bench" not in said and "Internal fault" not in said, said
    assert said.index("TRIPPED") < said.index("Recorder:")
    reader = RawReader(path)
    commands = [r for r in map(decode, reader.lines()) if isinstance(r, Command)]
    assert commands[0].stroke == 1 and len(commands) >= 6, "the run from its first stroke on"
    assert not commands[-1].on and reader.damage is None
    state = state_file.read(state_file.state_path(places.state_dir(), "simulated-line17"))
    assert state is not None and state.trip is not None and state.trip.rule == "disk nearly full"
    made = rig("recover", str(path))
    assert made.returncode == 0 and "records restored" in made.stdout, made.stdout + made.stderr
    assert rig("clear").returncode == 0


def test_a_disk_that_fills_up_is_said_first_and_leaves_no_false_trace(
    disk: Path, tmp_path: Path
) -> None:
    with live_run(tmp_path, sheet=LONG) as run:
        run.wait_strokes(3)
        with (disk / "another program's").open("wb") as file, contextlib.suppress(OSError):
            while True:
                file.write(bytes(1 << 16))
                file.flush()
        code, _, said = run.finish()
        assert code == 3, said
        stored = run.stored()
        state = run.state()
    first = said.splitlines()[0]
    assert re.match(r"TRIPPED: disk nearly full\. Only \d+ MB are free", first), said
    assert "bench" not in said and "Errno" not in said and "fault" not in said, said
    assert stored.status in ("tripped", "fault"), stored.status
    assert state is not None and state.trip is not None and state.trip.rule == "disk nearly full"
    assert state.owner is None
    refused = rig("clear")
    assert refused.returncode == 4 and "Errno" not in refused.stderr
    assert "Not cleared" in refused.stderr and "100 MB" in refused.stderr, refused.stderr
    again = rig("run", str(tmp_path / "a.setup.toml"), str(tmp_path / "a.sheet.toml"))
    assert again.returncode == 4 and "rig is tripped: disk nearly full" in again.stderr
    (disk / "another program's").unlink()
    assert rig("clear").returncode == 0
    listed = rig("runs")
    assert "running" not in listed.stdout
    made = rig("recover")
    assert made.returncode == 0, made.stdout + made.stderr


@pytest.mark.parametrize("how", ["file", "folder"])
def test_a_run_whose_state_file_is_removed_ends(disk: Path, tmp_path: Path, how: str) -> None:
    del disk
    with live_run(tmp_path, sheet=LONG) as run:
        run.wait_strokes(3)
        removed_ns = time.monotonic_ns()
        if how == "file":
            state_file.state_path(places.state_dir(), "simulated-line17").unlink()
        else:
            shutil.rmtree(places.state_dir())
        code, _, said = run.finish()
    assert code == 3 and "was removed" in said, said
    (path,) = places.raw_dir().iterdir()
    records = [decode(line) for line in RawReader(path).lines()]
    (stopped,) = (r for r in records if isinstance(r, Condition) and r.kind == "stopped")
    after_s = (stopped.t_ns - removed_ns) / 1e9
    print(f"state {how} removed: stopped after {after_s:.2f} s")
    assert after_s < 3.0
    assert not released(path)[-1].on
