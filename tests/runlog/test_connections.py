# SPDX-License-Identifier: MIT
"""How the log's connections are set, and what a person reads when the disk or a lock refuses."""

import contextlib
import os
import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from log_parts import text
from run_headers import header
from sqlalchemy import insert
from sqlalchemy.exc import IntegrityError

from rig.core.errors import EXIT_HARDWARE, StorageError
from rig.runlog.engine import LogBusyError, plainly, require_sqlite, sqlite_caution
from rig.runlog.schema import NoLogError
from rig.runlog.store import RunLog
from rig.runlog.tables import chunks


@pytest.fixture
def path(tmp_path):
    return tmp_path / "runs.sqlite"


@pytest.fixture
def log(path):
    with RunLog(path, busy_s=0.05) as opened:
        yield opened


@contextlib.contextmanager
def as_nobody() -> Iterator[None]:
    """Without root's right to write everywhere."""
    was = os.geteuid()
    if was == 0:
        os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(was)


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that another user may look into, which tmp_path is not."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        yield folder
        folder.chmod(0o755)


def ask(log, pragma, write):
    with log._writing() if write else log._reading() as connection:
        return connection.exec_driver_sql(f"PRAGMA {pragma}").scalar()


def test_every_connection_is_set_as_promised(log):
    for write in (True, False):
        assert ask(log, "foreign_keys", write) == 1
        assert ask(log, "journal_mode", write) == "wal"
        assert ask(log, "synchronous", write) == 2  # FULL


def test_a_chunk_without_its_run_is_refused(log):
    with pytest.raises(IntegrityError, match="FOREIGN KEY"):
        log.append_chunk(99, 1, text(1))


def test_a_run_with_records_cannot_be_removed(log, path):
    run_id = log.begin_run(header())
    log.append_chunk(run_id, 1, text(1))
    with pytest.raises(IntegrityError, match="FOREIGN KEY"), log._writing() as connection:
        connection.exec_driver_sql("DELETE FROM runs")
    assert log.load(run_id).n_records == 1


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("UPDATE runs SET mount = 'left'", "cannot store TEXT value in INTEGER column"),
        ("UPDATE runs SET wall_utc_s = 'now'", "cannot store TEXT value in REAL column"),
        ("UPDATE runs SET wall_utc_s = 9e999 - 9e999", "NOT NULL constraint failed"),  # a NaN
        ("UPDATE runs SET source = 'bench'", "CHECK constraint failed"),
        ("UPDATE runs SET status = 'done'", "CHECK constraint failed"),
        ("INSERT INTO conditions VALUES (1, 'oil', NULL, NULL, '', 'typed')", "CHECK constraint"),
        ("INSERT INTO conditions VALUES (1, 'oil', 1.0, NULL, '', 'guess')", "CHECK constraint"),
    ],
)
def test_the_tables_take_only_what_belongs_there(log, path, change, words):
    log.begin_run(header())
    with (
        contextlib.closing(sqlite3.connect(path)) as db,
        pytest.raises(sqlite3.IntegrityError, match=words),
    ):
        db.execute(change)


def test_a_write_begins_immediate_so_that_it_never_fails_half_way(log, path):
    with (
        log._writing(),
        contextlib.closing(sqlite3.connect(path, timeout=0, isolation_level=None)) as db,
        pytest.raises(sqlite3.OperationalError, match="locked"),
    ):
        db.execute("BEGIN IMMEDIATE")


def test_a_failed_write_leaves_nothing_and_the_log_usable(log):
    run_id = log.begin_run(header())
    row = {"run_id": run_id, "sequence": 1, "first_t_ns": 0, "last_t_ns": 0, "n": 1, "crc32": 0}
    with pytest.raises(IntegrityError), log._writing() as connection:
        connection.execute(insert(chunks).values(**row, data=b"x"))
        connection.execute(insert(chunks).values(**row, data=b"y"))
    log.append_chunk(run_id, 2, text(2))
    assert log.load(run_id).n_records == 2


def test_a_locked_log_says_so_and_can_be_tried_again(log, path):
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogBusyError, match="is locked by another program"):
            log.begin_run(header())
        assert log.runs() == []  # reading goes on
        other.execute("COMMIT")
    assert log.begin_run(header()) == 1


def test_a_log_that_is_being_made_by_another_is_waited_for_or_named(path):
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(LogBusyError, match="locked"):
            RunLog(path, busy_s=0.05)
    RunLog(path).close()


def test_a_full_disk_says_so_and_what_was_committed_stays(log, path):
    run_id = log.begin_run(header())
    log.append_chunk(run_id, 1, text(1))
    with log._writer.connect() as connection:
        plain = connection.connection.driver_connection
        pages = plain.execute("PRAGMA page_count").fetchone()[0]
        plain.execute(f"PRAGMA max_page_count = {pages}")  # SQLite's own way to be out of room
    noise = b'["N","noise",0,"%b"]\n' % os.urandom(40_000).hex().encode()
    with pytest.raises(StorageError, match=r"disk is full\. Free some space") as caught:
        log.append_chunk(run_id, 1, noise)
    assert caught.value.exit_code == EXIT_HARDWARE
    assert str(path) in str(caught.value)
    assert log.load(run_id).n_records == 1
    assert ask(log, "integrity_check", write=True) == "ok"


def test_a_folder_that_may_not_be_written(open_folder):
    open_folder.chmod(0o555)
    with as_nobody(), pytest.raises(StorageError, match="cannot be opened"):
        RunLog(open_folder / "runs.sqlite")


def test_a_log_that_may_not_be_written(open_folder):
    path = open_folder / "runs.sqlite"
    RunLog(path).close()
    path.chmod(0o444)
    open_folder.chmod(0o555)
    with as_nobody(), pytest.raises(StorageError, match=r"written|opened"):
        RunLog(path)


def test_a_folder_that_is_not_there(tmp_path):
    with pytest.raises(StorageError, match=r"folder .* is not there"):
        RunLog(tmp_path / "gone" / "runs.sqlite")


def test_no_log_yet_is_told_apart(path):
    with pytest.raises(NoLogError, match="`rig run` makes it"):
        RunLog(path, readonly=True)
    assert not path.exists()


@pytest.mark.parametrize("content", [b"not a database at all" * 100, b"\0" * 4096 + b"x"])
@pytest.mark.parametrize("readonly", [True, False])
def test_a_file_that_is_no_log(path, content, readonly):
    path.write_bytes(content)
    with pytest.raises(StorageError, match=r"not a run log|damaged"):
        RunLog(path, readonly)
    assert path.read_bytes() == content


def test_damage_is_found_when_a_small_log_is_opened_for_writing(path):
    with RunLog(path) as log:
        run_id = log.begin_run(header())
        for k in range(40):
            noise = b'["N","noise",%d,"%b"]\n' % (k, os.urandom(2_000).hex().encode())
            log.append_chunk(run_id, 1, noise)
    data = bytearray(path.read_bytes())
    middle = len(data) // 2 // 4096 * 4096
    data[middle : middle + 2048] = b"\xff" * 2048
    path.write_bytes(data)
    with pytest.raises(StorageError, match="damaged") as caught:
        RunLog(path)
    assert "raw files" in str(caught.value)


def test_an_sqlite_without_strict_tables_is_refused():
    with pytest.raises(StorageError, match=r"SQLite 3\.34\.1; the run log needs 3\.37\.0"):
        require_sqlite((3, 34, 1))


def test_an_error_of_ours_is_not_hidden_behind_plain_words(path):
    with (
        contextlib.closing(sqlite3.connect(":memory:")) as db,
        pytest.raises(sqlite3.OperationalError, match="no such table"),
        plainly(path),
    ):
        db.execute("SELECT * FROM not_there")


@pytest.mark.parametrize(
    ("version", "said"),
    [
        ((3, 37, 0), True),
        ((3, 44, 5), True),
        ((3, 44, 6), False),
        ((3, 45, 1), True),
        ((3, 50, 6), True),
        ((3, 50, 7), False),
        ((3, 51, 2), True),
        ((3, 51, 3), False),
        ((3, 52, 0), False),
        ((4, 0, 0), False),
    ],
)
def test_an_sqlite_with_the_checkpoint_race_is_named(version, said):
    """Which versions have it: SQLite's release notes of 3.51.3, 3.50.7 and 3.44.6 (from memory)."""
    words = sqlite_caution(version)
    assert (words is not None) == said
    if words:
        assert f"SQLite {'.'.join(map(str, version))} can" in words
