# SPDX-License-Identifier: MIT
"""`rig recover` after damage at random places of log and raw files: never an internal fault, and
every record that still fits its checksum is in the log afterwards.

The full form (1,000 damages) runs under `python3 tests/run.py --full`. What must come back is
worked out without the program's reader: for a raw file from the bytes that were changed, for a log
by asking SQLite itself for each chunk.
"""

from __future__ import annotations

import contextlib
import random
import shutil
import sqlite3
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from recorder_parts import lines
from run_headers import header

from rig.cli.main import answer
from rig.core.records import OFF_STATES, Edge, End, encode
from rig.recorder.recorder import Recorder
from rig.runlog.store import RunLog

SEED = 20_261_126
SOME, MANY = 100, 1_000
PAGE = 4096


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with three runs of several chunks and pages each."""
    folder = tmp_path_factory.mktemp("sound")
    (folder / "raw").mkdir()
    with RunLog(folder / "runs.sqlite") as log:
        for n in range(3):
            recorder = Recorder(
                log, header(valve=f"V-{n}", setup_text="x = 1\n" * 300), folder / "raw"
            )
            for part in range(5):
                recorder.take(lines(80, 1000 * n + 80 * part))
                at = 1_000_000 * (1000 * n + 80 * part)
                recorder.put(encode(Edge("switch", part % 2, at, part + 1, "plant")))
                recorder._commit(sync_raw=False)
            recorder.put(encode(End("finished", OFF_STATES[0], 10**12 + n)))
            recorder.finish()
    return folder


def overwritten(data: bytearray, pick: random.Random) -> None:
    for _ in range(pick.choice((1, 1, 3, 20))):
        at, n = pick.randrange(len(data)), pick.choice((1, 1, 8, 200, PAGE))
        data[at : at + n] = pick.randbytes(len(data[at : at + n]))


def truncated(data: bytearray, pick: random.Random) -> None:
    del data[pick.randrange(len(data)) :]


def zeroed(data: bytearray, pick: random.Random) -> None:
    for _ in range(pick.choice((1, 1, 3))):
        at = PAGE * pick.randrange(1 + len(data) // PAGE)
        data[at : at + PAGE] = bytes(len(data[at : at + PAGE]))


DAMAGES: list[Callable[[bytearray, random.Random], None]] = [overwritten, truncated, zeroed]


def damaged(path: Path, pick: random.Random) -> None:
    data = bytearray(path.read_bytes())
    pick.choice(DAMAGES)(data, pick)
    path.write_bytes(data)


def good_in_raw(before: bytes, after: bytes) -> set[bytes]:
    """Records whose line is untouched, behind a line whose digits are."""
    good, at = set(), 0
    digits = False
    for line in before.splitlines(keepends=True):
        text = line.rstrip(b"\n")
        if digits and after[at : at + len(text)] == text:
            good.add(text[9:])
        digits = after[at : at + 8] == line[:8]
        at += len(line)
    return good


def good_in_log(path: Path) -> set[bytes]:
    """Records of the chunks that SQLite hands out when it is asked for each by its key."""
    good: set[bytes] = set()
    unreadable = (sqlite3.Error, zlib.error, TypeError, ValueError)
    with contextlib.suppress(*unreadable), contextlib.closing(sqlite3.connect(path)) as db:
        for run in range(1, 4):
            for n in range(1, 9):
                query = "SELECT crc32, data FROM chunks WHERE run_id = ? AND sequence = ?"
                with contextlib.suppress(*unreadable):
                    for crc, data in db.execute(query, (run, n)):
                        text = zlib.decompress(data)
                        if zlib.crc32(text) == crc:
                            good.update(text.splitlines())
    return good


def held(folder: Path) -> tuple[set[bytes], int]:
    """Records in the log, and how many there are with those that are there twice."""
    with RunLog.reading(folder / "runs.sqlite") as log:
        found = [line for row in log.runs(1000) for line in log.good_lines(row.id)[0]]
    return set(found), len(found)


@pytest.mark.timeout(3600)
def test_no_damage_is_an_internal_fault_and_every_good_record_comes_back(
    sound: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    full_study: bool,
) -> None:
    everything, _ = held(sound)
    counts: dict[str, list[int]] = {}
    for n in range(MANY if full_study else SOME):
        pick = random.Random(SEED + n)
        folder = tmp_path / str(n)
        shutil.copytree(sound, folder)
        monkeypatch.setenv("RIG_DATA", str(folder))
        log, raws = folder / "runs.sqlite", sorted((folder / "raw").glob("*.raw"))
        what = ("raw file, log lost", "log", "log, no raw files", "both")[n % 4]
        expected: set[bytes] = set()
        if what in ("raw file, log lost", "both"):
            for path in raws:
                before = path.read_bytes()
                damaged(path, pick)
                expected |= good_in_raw(before, path.read_bytes())
        elif what == "log":
            expected |= everything
        if what == "raw file, log lost":
            log.unlink()
        else:
            damaged(log, pick)
        if what == "log, no raw files":
            shutil.rmtree(folder / "raw")
        if what in ("log, no raw files", "both"):
            expected |= good_in_log(log)
        code = answer(["recover"])
        said = capsys.readouterr()
        where = f"damage {n} ({what}): {said.out} {said.err}"
        assert code in (0, 4), where
        found, total = held(folder) if log.exists() else (set(), 0)
        assert expected <= found, f"{len(expected - found)} good records lost, {where}"
        assert found <= everything, f"records that were never recorded, {where}"
        assert answer(["runs"]) in (0, 4), where
        again = answer(["recover"])
        assert again in (0, 4) and (not log.exists() or held(folder) == (found, total)), where
        capsys.readouterr()
        counts.setdefault(what, []).append(len(found))
        shutil.rmtree(folder)
    for what, found_each in counts.items():
        mean = sum(found_each) / len(found_each)
        print(f"{what}: {len(found_each)} damages, {mean:.0f} of {len(everything)} records kept")
