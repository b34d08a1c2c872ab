# SPDX-License-Identifier: MIT
import contextlib
import sqlite3

import pytest
from recorder_parts import END, TRIP, lines, sample
from run_headers import header
from sqlalchemy.exc import IntegrityError

from rig.core import state_file
from rig.core.clock import NS_PER_S, VirtualClock
from rig.core.errors import StorageError
from rig.core.ports import RecordSink
from rig.core.records import OFF_STATES, End, encode
from rig.recorder import recorder as module
from rig.recorder.raw_file import RawReader
from rig.recorder.recorder import COMMIT_BYTES, COMMIT_S, LOOK_EVERY, Recorder
from rig.recorder.restore import restore
from rig.runlog.store import RunLog


@pytest.fixture
def log(tmp_path):
    with RunLog(tmp_path / "runs.sqlite", busy_s=0.02) as opened:
        yield opened


@pytest.fixture
def clock():
    return VirtualClock(7 * NS_PER_S)


@pytest.fixture
def recorder(log, tmp_path, clock):
    made = Recorder(log, header(), tmp_path, clock=clock)
    yield made
    made.raw.close()


@pytest.fixture
def locked(tmp_path):
    """Another program that holds the log's lock until told to let go."""
    with contextlib.closing(sqlite3.connect(tmp_path / "runs.sqlite", isolation_level=None)) as db:
        yield db


@pytest.fixture
def state(tmp_path):
    path = tmp_path / "simulated-line17.json"
    state_file.write(path, state_file.RigState("simulated-line17", "simulated", "chip", 17))
    return path


def pass_s(clock, seconds):
    clock.advance_to(clock.now_ns() + round(seconds * NS_PER_S))


def stored(recorder, log):
    """Records that another process would find in the log now."""
    with RunLog(log.path, readonly=True) as reader:
        return list(reader.load(recorder.run_id).records())


def fill_disk(log):
    with log._writer.connect() as connection:
        plain = connection.connection.driver_connection
        pages = plain.execute("PRAGMA page_count").fetchone()[0]
        plain.execute(f"PRAGMA max_page_count = {pages}")


def test_it_is_a_sink_for_the_bench(recorder):
    sink: RecordSink = recorder
    sink.put(encode(sample(0)))
    assert (sink.lag_s, sink.overflowed) == (0.0, False)


def test_a_run_goes_into_the_log_and_the_raw_file(recorder, log):
    for i in range(30):
        recorder.put(encode(sample(i)))
    recorder.put(encode(END))
    assert recorder.finish() == "finished"
    run = log.load(recorder.run_id)
    expected = [*(sample(i) for i in range(30)), END]
    assert list(run.records()) == expected
    assert (run.status, run.end, run.remark) == ("finished", END, "")
    assert run.header == RawReader(recorder.raw.path).header
    assert run.raw_file == recorder.raw.path.name
    raw = RawReader(recorder.raw.path)
    assert [*raw.lines()] == [encode(record).encode() for record in expected]
    assert raw.damage is None


def test_the_run_stands_in_the_log_before_its_first_record(recorder, log):
    assert log.load(recorder.run_id).status == "running"
    assert RawReader(recorder.raw.path).header.source == "simulated"


def test_what_arrives_is_committed_within_its_time(recorder, log, clock):
    assert recorder.due_in_s is None
    recorder.take(lines(3))
    assert recorder.due_in_s == COMMIT_S
    pass_s(clock, COMMIT_S / 2)
    recorder.take(lines(2, 3))
    assert not recorder.poll()
    assert stored(recorder, log) == []
    assert recorder.lag_s == pytest.approx(COMMIT_S / 2)
    pass_s(clock, COMMIT_S / 2)
    assert recorder.due_in_s == 0
    assert recorder.poll()
    assert stored(recorder, log) == [sample(i) for i in range(5)]
    assert (recorder.lag_s, recorder.due_in_s, recorder.committed) == (0.0, None, 5)
    assert not recorder.poll()


def test_commits_need_no_poll_while_records_come(recorder, log, clock):
    for i in range(4 * LOOK_EVERY):
        recorder.put(encode(sample(i)))
        pass_s(clock, COMMIT_S / LOOK_EVERY)
    assert recorder.committed >= 2 * LOOK_EVERY


def test_many_bytes_are_committed_without_waiting(recorder, log):
    n = COMMIT_BYTES // len(encode(sample(1)))
    recorder.take(lines(n + 100))
    assert recorder.committed > 0
    assert recorder.committed + len(recorder._new) == n + 100


def test_a_trip_is_committed_and_latched_at_once(log, tmp_path, clock, state):
    recorder = Recorder(log, header(), tmp_path, state_path=state, clock=clock)
    recorder.take(lines(3))
    recorder.put(encode(TRIP))
    assert stored(recorder, log) == [sample(0), sample(1), sample(2), TRIP]
    assert state_file.read(state).trip == TRIP
    recorder.put(encode(End("tripped", OFF_STATES[1], 6 * NS_PER_S)))
    assert recorder.finish() == "tripped"
    assert log.load(recorder.run_id).end == End("tripped", OFF_STATES[1], 6 * NS_PER_S)


def test_a_trip_is_latched_even_where_nothing_can_be_stored(log, tmp_path, clock, state):
    recorder = Recorder(log, header(), tmp_path, state_path=state, clock=clock)
    recorder.raw.close()  # every write fails from here on
    fill_disk(log)
    recorder.take(lines(400))
    pass_s(clock, 1)
    recorder.poll()
    assert recorder.overflowed
    recorder.put(encode(TRIP))
    assert state_file.read(state).trip == TRIP
    with pytest.raises(StorageError):
        recorder.finish()


def test_a_trip_that_cannot_be_latched_is_said_and_still_stored(log, tmp_path, clock):
    recorder = Recorder(log, header(), tmp_path, state_path=tmp_path / "none.json", clock=clock)
    recorder.put(encode(TRIP))
    assert "could not be latched" in str(recorder.latch_failure)
    assert not recorder.overflowed
    with pytest.raises(StorageError, match="Do not start this rig again"):
        recorder.finish(End("tripped", OFF_STATES[0], 0))
    run = log.load(recorder.run_id)
    assert (run.status, list(run.records())) == ("tripped", [TRIP])
    assert "could not be latched" in run.remark


def test_without_an_end_the_run_is_interrupted(recorder, log):
    recorder.take(lines(4))
    assert recorder.finish(remark="The bench ended.") == "interrupted"
    run = log.load(recorder.run_id)
    assert (run.status, run.end, run.remark) == ("interrupted", None, "The bench ended.")
    assert run.n_records == 4


def test_finishing_twice_is_once(recorder, log):
    recorder.finish(END)
    assert recorder.finish() == "finished"
    assert recorder.finish(End("fault", OFF_STATES[2], 0)) == "finished"
    assert log.load(recorder.run_id).end == END


def test_a_crashed_run_is_marked_when_the_next_begins(log, tmp_path, locked):
    first = Recorder(log, header(), tmp_path)
    first.take(lines(3))
    first._commit(sync_raw=True)
    locked.execute("UPDATE runs SET writer_boot_id = 'before the power cut'")
    second = Recorder(log, header(), tmp_path)
    assert [row.status for row in log.runs()] == ["running", "interrupted"]
    assert log.load(first.run_id).n_records == 3
    first.raw.close()
    second.finish(END)


def test_a_lock_delays_the_commit_and_loses_nothing(recorder, log, clock, locked):
    locked.execute("BEGIN IMMEDIATE")
    recorder.take(lines(5))
    pass_s(clock, COMMIT_S)
    assert recorder.poll()
    recorder.take(lines(5, 5))
    assert (recorder.committed, recorder.overflowed) == (0, False)
    assert recorder.lag_s == pytest.approx(COMMIT_S)
    assert [*RawReader(recorder.raw.path).lines()] == lines(5)
    locked.execute("COMMIT")
    pass_s(clock, COMMIT_S)
    recorder.poll()
    assert stored(recorder, log) == [sample(i) for i in range(10)]
    assert [*RawReader(recorder.raw.path).lines()] == lines(10)
    assert recorder.lag_s == 0


def test_a_lock_beyond_the_limit_ends_the_log_but_not_the_raw_file(recorder, log, clock, locked):
    recorder.take(lines(5))
    pass_s(clock, COMMIT_S)
    recorder.poll()
    locked.execute("BEGIN IMMEDIATE")
    for k in range(1, 20):
        recorder.take(lines(5, 5 * k))
        pass_s(clock, COMMIT_S)
        recorder.poll()
    assert recorder.overflowed
    assert "locked by another program" in str(recorder.failure)
    assert recorder.lag_s > module.LOCK_LIMIT_S  # grows on: nothing more is committed
    locked.execute("COMMIT")
    recorder.put(encode(END))
    with pytest.raises(StorageError, match="locked"):
        recorder.finish()
    run = log.load(recorder.run_id)
    assert (run.status, run.n_records) == ("fault", 5)
    assert "96 records are in the raw file only" in run.remark
    restored = restore(log, recorder.raw.path)
    assert (restored.run_id, restored.added, restored.damage) == (recorder.run_id, 96, None)
    run = log.load(recorder.run_id)
    assert list(run.records()) == [*(sample(i) for i in range(100)), END]
    assert (run.status, run.end) == ("finished", END)


def test_memory_is_bounded_while_the_log_is_locked(recorder, log, clock, locked, monkeypatch):
    monkeypatch.setattr(module, "WAIT_BYTES", 20_000)
    locked.execute("BEGIN IMMEDIATE")
    for k in range(10):
        recorder.take(lines(100, 100 * k))
        pass_s(clock, COMMIT_S)
        recorder.poll()
    assert recorder.overflowed
    assert recorder._waiting == []
    locked.execute("COMMIT")
    with pytest.raises(StorageError, match="locked"):
        recorder.finish(END)


def test_a_full_disk_ends_the_log_and_says_so(recorder, log, clock):
    recorder.take(lines(3))
    pass_s(clock, COMMIT_S)
    recorder.poll()
    fill_disk(log)
    for k in range(40):
        recorder.take(lines(200, 3 + 200 * k))
        pass_s(clock, COMMIT_S)
        recorder.poll()
    assert recorder.overflowed
    assert "the disk is full" in str(recorder.failure)
    kept = recorder.committed
    assert stored(recorder, log) == [sample(i) for i in range(kept)]
    with pytest.raises(StorageError, match="disk is full"):
        recorder.finish(END)
    assert [*RawReader(recorder.raw.path).lines()] == lines(3 + 40 * 200)


def test_a_raw_file_that_fails_does_not_take_the_log_with_it(recorder, log, clock):
    recorder.take(lines(3))
    recorder.raw.close()
    pass_s(clock, COMMIT_S)
    recorder.poll()
    assert recorder.overflowed
    assert "raw file" in str(recorder.failure)
    recorder.take(lines(3, 3))
    with pytest.raises(StorageError, match="raw file"):
        recorder.finish(END)
    run = log.load(recorder.run_id)
    assert (run.status, run.n_records) == ("finished", 6)
    assert "raw file" in run.remark


def test_a_start_that_the_log_refuses_leaves_no_raw_file(log, tmp_path, locked):
    locked.execute("BEGIN IMMEDIATE")
    with pytest.raises(StorageError, match="locked"):
        Recorder(log, header(), tmp_path)
    locked.execute("COMMIT")
    again = header()
    first = Recorder(log, again, tmp_path)
    with pytest.raises(IntegrityError, match="UNIQUE"):
        Recorder(log, again, tmp_path / "another.raw")  # the same run twice
    first.finish(END)
    assert [path.name for path in tmp_path.glob("*.raw")] == [first.raw.path.name]


def test_a_place_that_cannot_be_written_is_refused_before_the_run_begins(log, tmp_path):
    with pytest.raises(StorageError, match="folder is not there"):
        Recorder(log, header(), tmp_path / "gone" / "run.raw")
    assert log.runs() == []


def test_the_raw_file_is_synced_at_a_trip_at_the_end_and_every_two_seconds(
    recorder, clock, monkeypatch
):
    synced = []
    really = recorder.raw.sync
    monkeypatch.setattr(recorder.raw, "sync", lambda: (really(), synced.append(clock.now_ns())))
    begun_ns = clock.now_ns()
    for k in range(20):
        recorder.take(lines(3, 3 * k))
        pass_s(clock, COMMIT_S)
        recorder.poll()
    assert [round((t - begun_ns) / NS_PER_S, 1) for t in synced] == [2.0, 4.0, 6.0, 8.0]
    del synced[:]
    recorder.put(encode(TRIP))
    assert len(synced) == 1
    recorder.put(encode(END))
    assert len(synced) == 2
    recorder.finish()


# -- another place for the raw file


@pytest.fixture
def elsewhere(tmp_path, monkeypatch):
    """The places that are tried after the raw file's own, in order."""
    places = [tmp_path / "home", tmp_path / "tmp"]
    for place in places:
        place.mkdir()
    monkeypatch.setattr("rig.recorder.elsewhere.other_places", lambda: places)
    return places


def raw_lines(folder):
    (path,) = folder.glob("*.raw")
    return path, [*RawReader(path).lines()]


def test_a_raw_file_that_fails_goes_on_at_home_from_memory(recorder, elsewhere, clock, log):
    recorder.take(lines(3))
    pass_s(clock, COMMIT_S)
    recorder.poll()
    recorder.raw.close()  # neither written nor read any more, as of a card that was pulled
    recorder.take(lines(3, 3))
    pass_s(clock, COMMIT_S)
    recorder.poll()
    recorder.take(lines(3, 6))
    with pytest.raises(StorageError, match=r"kept in .*/home/.*\.raw instead.*rig recover"):
        recorder.finish(END)
    path, found = raw_lines(elsewhere[0])
    assert found == lines(9)
    assert str(path) in log.load(recorder.run_id).remark


def test_where_home_cannot_be_written_it_is_tmp(recorder, elsewhere, clock):
    elsewhere[0].rmdir()
    recorder.raw.close()
    recorder.take(lines(3))
    with pytest.raises(StorageError, match=r"kept in .*/tmp/"):
        recorder.finish(END)
    assert raw_lines(elsewhere[1])[1] == lines(3)


def test_where_nothing_can_be_written_it_says_so(recorder, elsewhere):
    for place in elsewhere:
        place.rmdir()
    recorder.raw.close()
    recorder.take(lines(3))
    with pytest.raises(StorageError, match="No other place"):
        recorder.finish(END)


def test_what_no_longer_fits_into_memory_is_said_to_be_missing(
    recorder, elsewhere, clock, monkeypatch
):
    monkeypatch.setattr(module, "KEPT_BYTES", 1000)
    for k in range(10):
        recorder.take(lines(10, 10 * k))
        pass_s(clock, COMMIT_S)
        recorder.poll()
    recorder.raw.close()
    recorder.take(lines(5, 100))
    with pytest.raises(StorageError, match="records from the beginning of the run are not in it"):
        recorder.finish(END)
    found = raw_lines(elsewhere[0])[1]
    assert len(found) < 105 and found == lines(len(found), 105 - len(found))


def test_a_full_disk_has_room_for_the_last_records_and_the_end(recorder, log, monkeypatch):
    """The room comes from files that only take it up, given up one after the other."""
    spares = sorted(log.path.parent.glob("*.spare-*"))
    assert [path.stat().st_size for path in spares] == [module.SPARE_BYTES] * 2
    really, tried = log.end_run, []

    def full_once(*words):
        tried.append([path for path in spares if path.exists()])
        if len(tried) == 1:
            raise StorageError("The disk is full.")
        really(*words)

    monkeypatch.setattr(log, "end_run", full_once)
    assert recorder.finish(END) == "finished"
    assert [len(left) for left in tried] == [2, 1]
    assert log.load(recorder.run_id).status == "finished"
    assert not any(path.exists() for path in spares)
