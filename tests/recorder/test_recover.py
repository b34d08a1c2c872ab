# SPDX-License-Identifier: MIT
"""Runs back into the log: lost, cut short, damaged inside, or the whole file damaged."""

import contextlib
import fcntl
import os
import sqlite3

import pytest
from recorder_parts import END, lines, sample
from run_headers import header

from rig.cli.main import answer
from rig.core import state_file
from rig.core.errors import RefusedError, StorageError
from rig.core.records import encode
from rig.recorder.recorder import Recorder
from rig.recorder.recover import damage_of, recover
from rig.runlog import remarks, schema, views
from rig.runlog.store import RunLog

RECORDS = [*(sample(i) for i in range(9)), END]


class Place:
    """A data directory, and what `recover` said about it."""

    def __init__(self, folder):
        self.log, self.raw, self.state = folder / "runs.sqlite", folder / "raw", folder / "state"
        self.raw.mkdir()
        self.state.mkdir()
        self.said = ""

    def record(self, **changes):
        """A finished run of ten records; its number and its raw file."""
        with RunLog(self.log) as log:
            recorder = Recorder(log, header(**changes), self.raw)
            recorder.take(lines(5))
            recorder._commit(sync_raw=False)  # two chunks
            recorder.take(lines(4, 5))
            recorder.put(encode(END))
            recorder.finish()
        return recorder.run_id, recorder.raw.path

    def recover(self, *raw_files):
        told = []
        lost = recover(self.log, self.raw, raw_files, told.append, self.state)
        self.said = "\n".join(told)
        return lost

    def sql(self, statement, *values):
        with contextlib.closing(sqlite3.connect(self.log, isolation_level=None)) as db:
            found = db.execute(statement, values).fetchall()
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            return found

    def load(self, run_id):
        with RunLog(self.log, readonly=True) as log:
            run = log.load(run_id)
            return run, list(run.records())


@pytest.fixture
def place(tmp_path):
    return Place(tmp_path)


def test_nothing_there_and_nothing_to_do(place):
    assert place.recover() == 0
    assert "nothing to do" in place.said
    assert not place.log.exists()
    place.record()
    assert place.recover() == 0
    assert place.said == f"The run log {place.log} holds everything that the raw files hold."


def test_a_lost_log_is_made_from_the_raw_files(place):
    place.record(valve="V-1")
    place.record(valve="V-2")
    place.log.unlink()
    assert place.recover() == 0
    assert "it is made from 2 raw files" in place.said
    assert {place.load(n)[0].header.valve for n in (1, 2)} == {"V-1", "V-2"}
    assert [place.load(n)[1] for n in (1, 2)] == [RECORDS] * 2


def test_a_run_that_was_cut_short_is_filled_up_and_its_old_result_forgotten(place):
    run_id, path = place.record()
    place.sql("DELETE FROM chunks WHERE sequence = 2")
    place.sql("UPDATE runs SET status = 'interrupted', remark = 'Before.'")
    with RunLog(place.log) as log:
        log.save_result(run_id, {"strokes": []}, "v1")
    assert place.recover() == 0
    assert f"Run 1: 5 records restored. ({path.name})" in place.said
    run, records = place.load(run_id)
    assert (run.status, run.end, records) == ("finished", END, RECORDS)
    assert run.remark == "Before. 5 records restored from the raw file."
    with RunLog(place.log, readonly=True) as log:
        assert log.result(run_id) is None
    assert place.recover() == 0
    assert "holds everything" in place.said


def test_a_run_left_open_by_a_dead_recorder_is_closed(place):
    run_id, _ = place.record()
    place.sql("UPDATE runs SET status = 'running', writer_boot_id = 'before the power cut'")
    assert place.recover() == 0
    assert "Run 1 was cut short" in place.said
    assert place.load(run_id)[0].status == "interrupted"


def test_a_run_that_is_being_recorded_is_left_alone(place):
    with RunLog(place.log) as log:
        recorder = Recorder(log, header(), place.raw)
        recorder.take(lines(3))
        recorder._commit(sync_raw=False)
        assert place.recover() == 0
        assert "Run 1 is being recorded now and was left alone." in place.said
        assert recorder.finish(END) == "finished"


def test_records_that_no_longer_fit_their_checksum_come_from_the_raw_file(place):
    """A changed byte in a page is nothing that SQLite sees."""
    run_id, _ = place.record()
    place.sql("UPDATE chunks SET data = x'00' WHERE sequence = 1")
    with pytest.raises(StorageError, match="chunk 1 is missing or does not fit"):
        place.load(run_id)
    assert place.recover() == 0
    assert place.load(run_id)[1] == RECORDS
    assert place.sql("SELECT count(*) FROM chunks") == [(1,)]


def test_log_and_raw_file_damaged_in_different_places_make_a_whole_run(place):
    run_id, path = place.record()
    place.sql("UPDATE chunks SET data = x'00' WHERE sequence = 2")
    path.write_bytes(path.read_bytes().replace(b"303.0", b"909.0"))
    assert place.recover() == 0
    assert place.load(run_id)[1] == RECORDS
    assert place.load(run_id)[0].status == "finished"


def test_what_is_damaged_in_both_is_missing_and_the_run_is_a_fault(place):
    run_id, path = place.record()
    place.sql("UPDATE chunks SET data = x'00' WHERE sequence = 2")
    whole = path.read_bytes()
    path.write_bytes(whole.replace(b"307.0", b"909.0"))
    assert place.recover() == 1
    assert "9 of 10 records were found anywhere" in place.said
    run, records = place.load(run_id)
    assert records == [record for record in RECORDS if record != sample(7)]
    assert run.status == "fault"
    (before,) = place.log.parent.glob("runs.sqlite.before-*")
    assert before.stat().st_size > 0
    path.write_bytes(whole)
    assert place.recover() == 0
    run, records = place.load(run_id)
    assert (records, run.status) == (RECORDS, "finished")


def test_without_a_raw_file_the_good_chunks_of_a_damaged_run_remain(place):
    run_id, path = place.record()
    place.sql("UPDATE chunks SET data = x'00' WHERE sequence = 1")
    path.unlink()
    assert place.recover() == 1
    assert "no raw file holds all of it: 5 of 10 records were found anywhere" in place.said
    run, records = place.load(run_id)
    assert (run.status, records) == ("fault", RECORDS[5:])
    assert place.recover() == 0  # nothing more can be done


def test_files_that_are_no_raw_files_are_named_and_passed_over(place):
    run_id, path = place.record()
    place.log.unlink()
    (place.raw / "another.raw").write_text("something else\n")
    assert place.recover() == 1
    assert "another.raw is not a raw file" in place.said
    assert place.load(run_id)[1] == RECORDS
    assert place.recover(path) == 0
    assert place.said == f"Run 1: 0 records restored. ({path.name})"
    assert place.recover(path.with_name("gone.raw"), path) == 1


# -- a damaged log


def scribble(path, *, header_too=False):
    """What a worn card does: pages in the middle of the file are something else."""
    size = path.stat().st_size
    with path.open("r+b") as file:
        for at in range(0 if header_too else 4096, size, 4096):
            if header_too or at >= size // 2:
                file.seek(at)
                file.write(b"\xa5" * 4096)


@pytest.fixture
def several(place):
    """Three runs of which the second has lost its raw file."""
    paths = [place.record(valve=f"V-{n}")[1] for n in (1, 2, 3)]
    paths[1].unlink()
    with RunLog(place.log) as log:
        log.save_result(2, {"strokes": [1]}, "test 0")
        remarks.remove(log, [2])
        remarks.add_tag(log, 1, "first")
        for n in range(50):  # several pages of them
            views.keep(log, f"view {n:02d}", f"valve={n}" + "x" * 300)
    return place


def test_a_damaged_log_is_made_anew_and_the_damaged_one_kept(several):
    place = several
    place.sql("PRAGMA writable_schema = ON")
    (root,) = place.sql("SELECT rootpage FROM sqlite_master WHERE name = 'ix_runs_status'")[0]
    with place.log.open("r+b") as file:  # an index alone: every row can still be read
        file.seek((root - 1) * place.sql("PRAGMA page_size")[0][0])
        file.write(b"\xa5" * 200)
    before = place.log.read_bytes()
    assert damage_of(place.log) is not None
    assert place.recover() == 0
    assert "The new run log" in place.said
    assert "3 runs were taken over from it under their numbers" in place.said
    assert damage_of(place.log) is None
    for n in (1, 2, 3):
        run, records = place.load(n)
        assert (run.header.valve, run.status, records) == (f"V-{n}", "finished", RECORDS)
        assert "Taken over from a damaged run log." in run.remark
    with RunLog(place.log, readonly=True) as log:
        assert log.result(2) == {"strokes": [1]}
        off = [remarks.of_run(log, n)[2] is not None for n in (1, 2, 3)]
        assert off == [False, True, False], "a run off the list does not come back by itself"
        assert len(views.kept(log)) == 50 and "lost" not in place.said
    (aside,) = place.log.parent.glob("runs.sqlite.damaged-*Z")
    assert aside.read_bytes() == before
    assert list(place.log.parent.glob("*.new-*")) == []
    assert place.recover() == 0
    assert "holds everything" in place.said


def test_what_people_wrote_and_cannot_be_read_is_named(several):
    place = several
    (root,) = place.sql("SELECT rootpage FROM sqlite_master WHERE name = 'views'")[0]
    pages = place.sql("SELECT pageno FROM dbstat WHERE name = 'views' AND pagetype = 'leaf'")
    with place.log.open("r+b") as file:
        file.seek((pages[1][0] - 1) * 4096)
        file.write(b"\xa5" * 4096)
    assert pages[1][0] != root
    place.recover()
    with RunLog(place.log, readonly=True) as log:
        kept = len(views.kept(log))
        assert remarks.of_run(log, 1)[0] == ["first"]
    assert 0 < kept < 50
    assert f"views of it cannot be read to the end: {kept} rows were taken over" in place.said


def test_of_a_log_that_cannot_be_read_the_raw_files_remain(several):
    scribble(several.log, header_too=True)
    assert several.recover() == 0
    assert "Nothing can be read of it" in several.said
    assert {several.load(n)[0].header.valve for n in (1, 2)} == {"V-1", "V-3"}
    assert several.load(1)[1] == RECORDS


def test_a_log_damaged_at_random_never_loses_what_a_raw_file_holds(several):
    scribble(several.log)
    several.recover()
    with RunLog(several.log, readonly=True) as log:
        kept = {log.load(row.id).header.valve: row.id for row in log.runs()}
    for valve in ("V-1", "V-3"):
        assert several.load(kept[valve])[1] == RECORDS


def test_a_damaged_log_in_use_is_refused(several):
    scribble(several.log, header_too=True)
    before = several.log.read_bytes()
    state_file.write(
        several.state / "simulated-line17.json",
        state_file.RigState(
            "simulated-line17", "simulated", "", 17, owner=state_file.this_process()
        ),
    )
    with pytest.raises(RefusedError, match="in use by process"):
        several.recover()
    assert several.log.read_bytes() == before
    assert list(several.log.parent.glob("runs.sqlite?*")) == []


def test_one_raw_file_does_not_go_into_a_damaged_log(several):
    scribble(several.log, header_too=True)
    with pytest.raises(StorageError, match="without a file makes it anew"):
        several.recover(next(several.raw.glob("*.raw")))


def test_a_rebuild_that_fails_leaves_everything_as_it_was(several, monkeypatch):
    scribble(several.log, header_too=True)
    before = several.log.read_bytes()

    def full(*_):
        raise StorageError("The disk is full.")

    monkeypatch.setattr("rig.recorder.recover._filled_up", full)
    with pytest.raises(StorageError, match="disk is full"):
        several.recover()
    assert several.log.read_bytes() == before
    assert list(several.log.parent.glob("runs.sqlite?*")) == []


# -- what other commands say


@pytest.fixture
def told(monkeypatch, capsys):
    """told(folder, words): exit code and words of a command."""

    def run(folder, *words):
        monkeypatch.setenv("RIG_DATA", str(folder))
        code = answer(list(words))
        return code, capsys.readouterr().err

    return run


COMMANDS = [
    ("runs",), ("show", "1"), ("show", "last", "--json"), ("export", "1", "--to", "csv", "x.csv"),
    ("report", "1"), ("compare", "1", "2"), ("backup", "copy.sqlite"),
]  # fmt: skip


@pytest.mark.parametrize("words", COMMANDS, ids=lambda words: words[0])
def test_every_command_that_meets_a_damaged_log_names_the_way_out(
    several, told, words, monkeypatch, tmp_path
):
    monkeypatch.chdir(tmp_path)
    scribble(several.log, header_too=False)
    scribble(several.log, header_too=True)
    code, said = told(several.log.parent, *words)
    assert code == 4 and "rig recover" in said, said


@pytest.mark.parametrize("words", COMMANDS[:-1], ids=lambda words: words[0])
@pytest.mark.parametrize("column", ["hardware", "watched"])
def test_a_row_with_a_changed_byte_does_so_too(place, told, words, column, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    place.record()
    place.record()
    place.sql(f"UPDATE runs SET {column} = '\x7f'")
    code, said = told(place.log.parent, *words)
    assert words == ("runs",) or (code == 4 and "rig recover" in said), said
    assert place.recover() == 0
    assert told(place.log.parent, "show", "1")[0] != 7


@pytest.mark.parametrize("how", ["removed", "no bytes", "no tables", "no runs"])
@pytest.mark.parametrize("words", COMMANDS[:-1], ids=lambda words: words[0])
def test_an_emptied_log_beside_raw_files_says_so(place, told, how, words, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    place.record()
    if how == "removed":
        place.log.unlink()
    elif how == "no bytes":
        place.log.write_bytes(b"")
    elif how == "no tables":
        place.log.unlink()
        place.sql("VACUUM")
    else:
        for table in ("results", "chunks", "conditions", "runs"):
            place.sql(f"DELETE FROM {table}")
    code, said = told(place.log.parent, *words)
    assert code == 4 and "1 raw file of runs lies beside it" in said and "rig recover" in said
    assert place.recover() == 0
    assert place.load(1 if how != "no runs" else 2)[1] == RECORDS


def test_two_recoveries_at_once_do_not_meet(place):
    place.record()
    other = os.open(place.log.parent, os.O_RDONLY)
    fcntl.flock(other, fcntl.LOCK_EX)
    with pytest.raises(RefusedError, match="Another `rig recover` is at work"):
        place.recover()
    os.close(other)
    assert place.recover() == 0


def test_a_full_disk_is_no_damage(place, monkeypatch):
    """A reader of a log in WAL mode makes room for its shared memory, and fails with this code."""
    place.record()

    def full(*_, **__):
        error = sqlite3.OperationalError("disk I/O error")
        error.sqlite_errorcode = sqlite3.SQLITE_IOERR_SHMSIZE
        raise error

    monkeypatch.setattr(schema, "require_sound", full)
    with pytest.raises(StorageError, match="the disk is full"):
        place.recover()
    assert [path.name for path in place.log.parent.glob("*.damaged-*")] == []
