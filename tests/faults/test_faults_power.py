# SPDX-License-Identifier: MIT
"""Power cuts: the machine is killed at a random instant while its recorder writes to a disk.

The log lies on an ext4 image on a virtual disk: the guest's own caches are lost with it. The image
goes from cut to cut without a repair, as in practice; each cut is judged on a copy, whose journal
e2fsck replays.
"""

from __future__ import annotations

import contextlib
import os
import random
import shlex
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest
from build import MachineParts
from fault_study import upper_bound
from host_waits import prefer
from machine import Guest

from rig.core.records import Sample
from rig.recorder.raw_file import RawReader
from rig.runlog.store import RunLog

pytestmark = pytest.mark.kernel

CUTS, CUTS_SHORT = int(os.environ.get("RIG_FAULT_CUTS", 50)), 2
"""In the full study and in the short form."""
DISK_MIB = 256
HERE = Path(__file__).resolve().parent
PLACE = "/run/disk"
LONGEST_S = 6.0


class Cut(NamedTuple):
    acknowledged: int
    stored: int
    raw: int


def make_disk(path: Path) -> None:
    """An ext4 image whose log already has its tables."""
    folder = path.parent / "content"
    folder.mkdir()
    RunLog(folder / "runs.sqlite").close()
    with path.open("wb") as image:
        image.truncate(DISK_MIB << 20)
    subprocess.run(["mke2fs", "-q", "-t", "ext4", "-d", folder, path], check=True)


def cut_once(parts: MachineParts, disk: Path, dice: random.Random) -> int:
    """Boot, record, and cut the power; the records acknowledged by then."""
    with Guest(parts, disk=disk) as guest:
        prefer(guest)
        script = shlex.join([sys.executable, str(HERE / "guest_records.py"), PLACE])
        job = guest.start(f"mkdir -p {PLACE} && mount -t ext4 /dev/vda {PLACE} && exec {script}")
        job.wait_for("begun\n", 300)
        time.sleep(dice.uniform(0, LONGEST_S))
        guest.power_cut()
        told = job.output().split("\n")[1:-1]  # whole lines after the first
        return int(told[-1]) if told else 0


def look(disk: Path, folder: Path, run_id: int, acknowledged: int) -> Cut:
    """What a person finds after power returns."""
    copy = folder / "copy.img"
    shutil.copyfile(disk, copy)
    checked = subprocess.run(["e2fsck", "-f", "-p", copy], capture_output=True, text=True)
    assert checked.returncode in (0, 1), checked  # 1: the journal was replayed, nothing left over
    found = folder / f"found{run_id}"
    found.mkdir()
    subprocess.run(["debugfs", "-R", f"rdump / {found}", copy], check=True, capture_output=True)
    copy.unlink()
    path = found / "runs.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as log:
        assert log.execute("pragma integrity_check").fetchall() == [("ok",)]
    with RunLog(path) as log:
        assert run_id in log.mark_interrupted()
        run = log.load(run_id)
        assert run.status == "interrupted"
        samples = [r for r in run.records() if isinstance(r, Sample)]
    assert [r.t_ns for r in samples] == [i * 1_000_000 for i in range(len(samples))], "a hole"
    raw = sum(1 for _ in RawReader(found / "raw" / str(run.raw_file)).lines())
    shutil.rmtree(found)
    return Cut(acknowledged, len(samples), raw)


def test_a_power_cut_loses_nothing_that_was_acknowledged(
    machine_parts: MachineParts, tmp_path: Path, full_study: bool, measured: Callable[[str], None]
) -> None:
    disk, dice = tmp_path / "disk.img", random.Random(4)
    make_disk(disk)
    n = CUTS if full_study else CUTS_SHORT
    cuts = []
    for number in range(1, n + 1):
        cuts.append(look(disk, tmp_path, number, cut_once(machine_parts, disk, dice)))
        print(f"cut {number}: {cuts[-1]}", flush=True)
    lost = [cut for cut in cuts if cut.stored < cut.acknowledged]
    measured(
        f"power cuts: {n}, with acknowledged records lost: {len(lost)}; 0 failures in {n} is at "
        f"most {100 * upper_bound(n):.1f} % with 95 % confidence"
    )
    assert not lost
