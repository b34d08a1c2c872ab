# SPDX-License-Identifier: MIT
"""The recorder's process on a disk without room, behind a lock, and killed."""

import contextlib
import random
import resource
import sqlite3
import time

from recorder_parts import END, kept_status, lines, raw, stored, without_stalls

from rig.core.records import encode
from rig.recorder.raw_file import RawReader
from rig.recorder.restore import restore
from rig.runlog.store import RunLog


def test_a_file_size_limit_is_said_and_nothing_acknowledged_is_lost(start):
    """A disk with no more room, by the kernel's own limit on what a process may write."""
    room = 400_000
    process = start(preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (room, room)))
    run_id = process.begin()
    sent = 0
    while not any("error" in word for word in process.told) and sent < 100_000:
        process.send(*lines(500, sent))
        sent += 500
        process.listen(0.02)
    assert "limit on the size of files" in next(w["error"] for w in process.told if "error" in w)
    process.send(encode(END).encode())
    assert process.ended() == 4
    assert process.told[-1]["done"]
    got, reader = raw(process)
    assert got == lines(len(got))
    assert reader.damage is None
    run = stored(process, run_id)
    assert run.n_records >= process.acknowledged > 0
    records = without_stalls(b"".join(run.chunks()).splitlines())
    assert records[:-1] == lines(len(records) - 1)


def test_a_log_that_another_program_locks_is_said_and_the_raw_file_goes_on(start):
    process = start()
    process.begin()
    process.send(*lines(10))
    process.hear("committed")
    with contextlib.closing(sqlite3.connect(process.log, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        process.send(*lines(10, 10))
        late = process.hear("committed")
        assert late["committed"] == 10
        assert late["lag_s"] > 0
        other.execute("COMMIT")
    process.send(encode(END).encode())
    assert process.ended() == 0
    run = stored(process)
    kept = b"".join(run.chunks()).splitlines()
    assert without_stalls(kept) == [*lines(20), encode(END).encode()]
    assert [line[:21] for line in kept if line.startswith(b'["N"')] == [b'["N","recorder behind']
    assert "The recorder was up to" in run.remark


def test_killed_at_any_instant_nothing_acknowledged_is_lost(start, tmp_path):
    seed = random.randrange(10**9)
    print("seed", seed)
    pick = random.Random(seed)
    for round_ in range(1, 7):
        process = start()
        assert process.begin(note=str(round_)) == round_
        until = time.monotonic() + pick.uniform(0.0, 1.2)
        sent = 0
        while time.monotonic() < until:
            process.send(*lines(20, sent))
            sent += 20
            process.listen(0.005)
        process.child.kill()
        process.ended()
        path = max(process.raw_dir.glob("*.raw"), key=lambda p: p.stat().st_mtime_ns)
        reader = RawReader(path)
        in_raw = list(reader.lines())
        assert reader.damage is None or reader.damage.cut
        samples = without_stalls(in_raw)
        assert samples == lines(len(samples))
        with contextlib.closing(sqlite3.connect(process.log)) as db:
            assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert kept_status(process, round_) == "running"
        with RunLog(process.log) as log:
            assert log.load(round_).status == "interrupted", "nobody records it any more"
            assert log.mark_interrupted() == [round_]
            run = log.load(round_)
            assert run.status == "interrupted"
            assert run.n_records >= process.acknowledged
            assert len(in_raw) >= run.n_records
            assert b"".join(run.chunks()).splitlines() == in_raw[: run.n_records]
            restore(log, path)
            assert b"".join(log.load(round_).chunks()).splitlines() == in_raw
        process.close()


def test_it_is_the_recorder_that_marks_the_run_of_one_that_was_killed(start):
    first = start()
    first.begin()
    first.send(*lines(10))
    first.hear("committed")
    first.child.kill()
    first.ended()
    assert kept_status(first) == "running"
    second = start()
    second.begin()
    assert kept_status(second) == "interrupted"
    assert (stored(second, 1).status, stored(second, 1).n_records) == ("interrupted", 10)
    second.send(encode(END).encode())
    assert second.ended() == 0
