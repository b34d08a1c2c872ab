# SPDX-License-Identifier: MIT
import contextlib
import json
import math
import sqlite3
import threading
import zlib

import pytest
from log_parts import result, samples, text
from run_headers import header

from rig.core.errors import StorageError, UsageError
from rig.core.records import OFF_STATES, End
from rig.runlog.store import RunLog

END = End("finished", OFF_STATES[0], 9_000_000_000)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "a log? 100%#.sqlite"  # what a URI would take apart


@pytest.fixture
def log(path):
    with RunLog(path) as opened:
        yield opened


def plain(path):
    return contextlib.closing(sqlite3.connect(path, isolation_level=None))


def test_a_run_comes_back_as_it_was_given(log):
    given = header(
        source="emulated board",
        seed=2**53 + 1,
        valve="V-7",
        job="J-1",
        by="demo person",
        mount=2,
        note="two\nlines",
        conditions={
            "oil_temperature": {"value": 90.0, "unit": "degC", "how": "typed"},
            "oil_grade": {"value": "5W-20", "unit": "", "how": "typed"},
        },
        confirmed_by="demo person",
        confirmation="drive unplugged\nhands clear",
        confirmed_utc_s=1_700_000_001.5,
        hardware={"chip": "gpiochip0", "factory": "mock"},
        watched=[{"rule": "on time"}],
        not_watched=[{"rule": "pressure"}],
    )
    run_id = log.begin_run(given, "name.raw")
    log.append_chunk(run_id, 3, text(3))
    log.append_chunk(run_id, 2, text(2, 3))
    running = log.load(run_id)
    assert (running.status, running.end, running.n_records) == ("running", None, 5)
    log.end_run(run_id, "finished", END, "a remark")
    stored = log.load(run_id)
    assert stored.header == given
    assert (stored.status, stored.end, stored.n_records) == ("finished", END, 5)
    assert (stored.raw_file, stored.remark) == ("name.raw", "a remark")
    assert stored.database == f"SQLite {sqlite3.sqlite_version}"
    assert list(stored.chunks()) == [text(3), text(2, 3)]
    assert list(stored.records()) == samples(5)


def test_texts_valves_and_jobs_are_kept_once(log, path):
    for _ in range(3):
        log.begin_run(header(valve="V-1", job="J-1"))
    log.begin_run(header(valve="V-2", sheet_text=None, sheet_hash=None))
    with plain(path) as db:
        counts = {
            table: db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("runs", "valves", "jobs", "texts")
        }
    assert counts == {"runs": 4, "valves": 2, "jobs": 1, "texts": 2}


def test_another_text_under_a_known_hash_is_refused(log):
    log.begin_run(header())
    with pytest.raises(StorageError, match="Two different texts"):
        log.begin_run(header(setup_text="another"))
    assert len(log.runs()) == 1


def test_the_list_is_newest_first_and_pages_by_number(log):
    ids = [log.begin_run(header(valve=f"V-{i % 2}", by="x", job="J")) for i in range(7)]
    assert [row.id for row in log.runs(limit=3)] == ids[:3:-1]
    assert [row.id for row in log.runs(limit=3, before=ids[4])] == ids[3:0:-1]
    assert [row.id for row in log.runs(valve="V-1")] == [ids[5], ids[3], ids[1]]
    assert log.runs(valve="none such") == []
    row = log.runs(limit=1)[0]
    assert (row.valve, row.job, row.by, row.kind) == ("V-0", "J", "x", "strokes")
    assert (row.source, row.status, row.clock_synchronised) == ("simulated", "running", True)
    assert (row.strokes, row.verdict, row.response_mean_ms) == (None, None, None)
    assert row.started.isoformat() == "2023-11-14T22:13:20.250000+00:00"


def test_the_list_shows_the_latest_result(log):
    run_id = log.begin_run(header())
    other = log.begin_run(header())
    assert log.result(run_id) is None
    log.save_result(run_id, result(mean=40.0), "v1")
    log.save_result(run_id, result(mean=None, verdict="undecided"), "v2")
    log.save_result(run_id, result(strokes=4, mean=42.0), "v1")  # run again by the same software
    assert log.result(run_id) == result(strokes=4, mean=42.0)
    by_id = {row.id: row for row in log.runs()}
    assert (by_id[run_id].strokes, by_id[run_id].response_mean_ms) == (4, 42.0)
    assert by_id[run_id].verdict == "conforms"
    assert by_id[other].strokes is None


def test_a_result_without_strokes_is_listed_too(log):
    run_id = log.begin_run(header())
    log.save_result(run_id, {"strokes": None, "summary": None, "verdict": None}, "v1")
    assert (log.runs()[0].strokes, log.runs()[0].verdict) == (None, None)


def test_a_result_with_nan_is_refused(log):
    run_id = log.begin_run(header())
    with pytest.raises(ValueError, match="JSON"):
        log.save_result(run_id, {"summary": {"response_ms": {"mean": math.nan}}}, "v1")
    assert log.result(run_id) is None


def test_a_run_that_is_not_there(log):
    with pytest.raises(UsageError, match="no run 5 in the log"):
        log.load(5)
    with pytest.raises(StorageError, match="no run 5 in the log"):
        log.save_result(5, result(), "v1")
    with pytest.raises(StorageError, match="no run 5 in the log"):
        log.end_run(5, "finished", END)
    assert log.result(5) is None


def test_a_number_is_never_given_twice(log, path):
    last = log.begin_run(header())
    with plain(path) as db:
        db.execute("DELETE FROM runs")
    assert log.begin_run(header()) == last + 1


@pytest.mark.parametrize(
    ("n", "records"), [(0, b""), (2, text(1)), (1, text(2)), (1, text(1)[:-1]), (1, b"{}\n")]
)
def test_a_chunk_that_is_not_whole_records_is_refused(log, n, records):
    run_id = log.begin_run(header())
    with pytest.raises(ValueError, match="record"):
        log.append_chunk(run_id, n, records)
    assert log.load(run_id).n_records == 0


@pytest.mark.parametrize("status", ["running", "done"])
def test_a_run_ends_in_one_of_the_known_ways(log, status):
    run_id = log.begin_run(header())
    with pytest.raises(ValueError, match="not how a run ends"):
        log.end_run(run_id, status, END)


@pytest.mark.parametrize(
    "damage",
    [
        "DELETE FROM chunks WHERE sequence = 2",
        "UPDATE chunks SET crc32 = crc32 + 1 WHERE sequence = 2",
        "UPDATE chunks SET data = x'00' WHERE sequence = 2",
    ],
)
def test_a_damaged_chunk_is_named_and_what_precedes_it_is_given(log, path, damage):
    run_id = log.begin_run(header())
    for k in range(3):
        log.append_chunk(run_id, 2, text(2, 2 * k))
    with plain(path) as db:
        db.execute(damage)
    chunks = log.load(run_id).chunks()
    assert next(chunks) == text(2)
    with pytest.raises(StorageError, match="chunk 2 is missing or does not fit its checksum"):
        next(chunks)


def test_chunks_can_be_read_with_nothing_but_standard_tools(log, path):
    """The form that the help page states: zlib over lines of JSON, CRC-32 of the plain text."""
    run_id = log.begin_run(header())
    log.append_chunk(run_id, 3, text(3))
    with plain(path) as db:
        row = db.execute("SELECT n, first_t_ns, last_t_ns, crc32, data FROM chunks").fetchone()
    lines = zlib.decompress(row[4])
    assert row[:4] == (3, 0, 2_000_000_000, zlib.crc32(lines))
    assert [json.loads(line)[:3] for line in lines.splitlines()] == [
        ["S", "pressure", 300.0], ["S", "pressure", 301.0], ["S", "pressure", 302.0],
    ]  # fmt: skip


def test_many_chunks_come_in_order(log):
    run_id = log.begin_run(header())
    for k in range(30):
        log.append_chunk(run_id, 1, text(1, k))
    assert b"".join(log.load(run_id).chunks()) == text(30)


def test_reading_only_never_writes(log, path):
    run_id = log.begin_run(header())
    with RunLog(path, readonly=True) as reader:
        assert reader.load(run_id).status == "running"
        with pytest.raises(StorageError, match="for reading only"):
            reader.begin_run(header())
        with pytest.raises(StorageError, match="may not be written"), reader._reading() as given:
            given.connection.driver_connection.execute("DELETE FROM runs")


def test_two_readers_while_writing_see_whole_commits(log, path):
    run_id = log.begin_run(header())
    wrong: list[object] = []
    counts: dict[int, set[int]] = {0: set(), 1: set()}
    enough = threading.Event()

    def read(me: int) -> None:
        try:
            with RunLog(path, readonly=True) as reader:
                while not enough.is_set():
                    n = sum(chunk.count(b"\n") for chunk in reader.load(run_id).chunks())
                    counts[me].add(n)
                    if n % 10:
                        wrong.append(n)
        except Exception as error:
            wrong.append(error)

    readers = [threading.Thread(target=read, args=(me,)) for me in counts]
    for reader in readers:
        reader.start()
    for k in range(40):
        log.append_chunk(run_id, 10, text(10, 10 * k))
    enough.set()
    for reader in readers:
        reader.join()
    assert not wrong
    assert all(len(seen) >= 1 for seen in counts.values())
    assert log.load(run_id).n_records == 400


def test_a_run_of_a_living_writer_is_not_interrupted(log):
    run_id = log.begin_run(header())
    assert log.mark_interrupted() == []
    assert log.load(run_id).status == "running"


@pytest.mark.parametrize(
    "gone",
    [
        "writer_pid = 4194305",  # above the kernel's largest pid
        "writer_started = writer_started - 1",  # another process has this pid by now
        "writer_boot_id = 'an earlier boot'",
    ],
)
def test_a_run_whose_writer_is_gone_is_interrupted_with_all_it_had(log, path, gone):
    kept = log.begin_run(header())
    run_id = log.begin_run(header())
    ended = log.begin_run(header())
    log.append_chunk(run_id, 4, text(4))
    log.end_run(ended, "finished", END)
    with plain(path) as db:
        db.execute(f"UPDATE runs SET {gone} WHERE id <> ?", (kept,))
    assert log.mark_interrupted() == [run_id]
    assert log.mark_interrupted() == []
    stored = log.load(run_id)
    assert (stored.status, stored.end) == ("interrupted", None)
    assert list(stored.records()) == samples(4)
    assert log.load(ended).status == "finished"
    assert log.load(kept).status == "running"
    with plain(path) as db:
        end = db.execute("SELECT end_t_ns FROM runs WHERE id = ?", (run_id,)).fetchone()
    assert end == (3_000_000_000,)


def test_closing_twice_is_fine_and_leaves_one_file(path):
    log = RunLog(path)
    log.begin_run(header())
    log.close()
    log.close()
    assert [p.name for p in path.parent.iterdir()] == [path.name]
