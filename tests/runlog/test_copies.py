# SPDX-License-Identifier: MIT
"""A copy of the log is one file, and brings back what lies beside the log."""

import contextlib
import os
import sqlite3
from pathlib import Path

import pytest
from run_headers import header

from rig.core.errors import StorageError
from rig.recorder.recover import recover
from rig.runlog import attachments, copies, kept_files, register, remarks, views
from rig.runlog.attachments import Content
from rig.runlog.register import JOB, VALVE
from rig.runlog.store import RunLog

CHECKS = '[[check]]\ncheck = "oil_level"\nfound = "normal"\n'


@pytest.fixture
def path(tmp_path):
    """A log with two jobs, a photo on the second, a document on a valve, checks of the second."""
    path = tmp_path / "kept" / "runs.sqlite"
    path.parent.mkdir()
    with RunLog(path) as log:
        register.add(log, JOB, "first of all, without a run")
        run = log.begin_run(header(valve="V-1", job="J-2"))
        log.end_run(run, "finished")
        register.describe(log, JOB, 2, notes="n", complaint="slow when cold", repair="new screen")
        register.describe(log, VALVE, 1, kind="two way", notes="from the shelf")
        remarks.add_tag(log, run, "odd")
        views.keep(log, "mine", "valve=V-1")
        remarks.add_note(log, run, "looked at twice", "me")
        attachments.add(log, JOB, 2, Content(b"jpeg", "image/jpeg", "a.jpg", 4, 3), words="plug")
        attachments.add(log, VALVE, 1, Content(b"words", "text/plain", "b.txt"))
    checks = kept_files.checks_path(path, 2)
    checks.parent.mkdir()
    checks.write_text(CHECKS)
    (path.parent / "files" / "not ours").write_text("x")
    return path


def brought_back(path: Path) -> tuple:
    with RunLog(path, readonly=True) as log:
        job = register.entry(log, JOB, 2)
        (photo,) = attachments.on(log, JOB, 2)
        (words,) = attachments.on(log, VALVE, 1)
        tags, notes, _ = remarks.of_run(log, 1)
        return (
            (job.name, job.complaint, job.repair, register.entry(log, VALVE, 1).kind),
            (photo.words, attachments.content(log, photo), attachments.content(log, words)),
            [view.name for view in views.kept(log)],
            (tags, [note.text for note in notes], kept_files.checks_path(path, 2).read_text()),
        )


def recovered(path: Path) -> tuple[int, list[str]]:
    said: list[str] = []
    (path.parent / "raw").mkdir(exist_ok=True)
    (path.parent / "state").mkdir(exist_ok=True)
    lost = recover(path, path.parent / "raw", (), said.append, path.parent / "state")
    return lost, said


def test_a_copy_in_another_place_brings_everything_back(path, tmp_path):
    before = brought_back(path)
    there = tmp_path / "other computer" / "runs.sqlite"
    there.parent.mkdir()
    copies.back_up(path, there)
    assert os.listdir(there.parent) == ["runs.sqlite"]  # one file, and nothing half made
    with RunLog(there, readonly=True) as log:
        (photo,) = attachments.on(log, JOB, 2)
        with pytest.raises(StorageError, match="rig recover"):
            attachments.content(log, photo)
    lost, said = recovered(there)
    assert lost == 0 and any("3 files that the copy carried" in line for line in said)
    assert brought_back(there) == before
    assert recovered(there) == (
        0,
        [f"The run log {there} holds everything that the raw files hold."],
    )
    with contextlib.closing(sqlite3.connect(there)) as db:  # not kept twice
        assert db.execute("SELECT count(*) FROM carried_files").fetchone() == (0,)


def test_what_lies_there_already_is_not_replaced(path, tmp_path):
    copy = tmp_path / "copy.sqlite"
    copies.back_up(path, copy)
    checks = kept_files.checks_path(path, 2)
    checks.write_text("# newer\n")
    path.unlink()
    copy.rename(path)
    _, said = recovered(path)
    assert checks.read_text() == "# newer\n"
    assert checks.with_name("2.checks.toml.from-copy").read_text() == CHECKS
    assert any("is another than the copy's and stays" in line for line in said)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("UPDATE carried_files SET data = x'00' WHERE name LIKE 'jobs/%'", "is damaged"),
        ("UPDATE carried_files SET name = '../outside' WHERE name LIKE 'jobs/%'", "is damaged"),
    ],
)
def test_a_damaged_or_foreign_file_in_a_copy_is_not_put_out(path, tmp_path, change, words):
    there = tmp_path / "there" / "runs.sqlite"
    there.parent.mkdir()
    copies.back_up(path, there)
    with contextlib.closing(sqlite3.connect(there)) as db, db:
        db.execute(change)
    lost, said = recovered(there)
    assert lost == 1 and any(words in line for line in said)
    assert not (tmp_path / "outside").exists()
    assert not kept_files.checks_path(there, 2).exists()


def test_a_copy_never_replaces_and_leaves_nothing_half_made(path, tmp_path, monkeypatch):
    copy = tmp_path / "copy.sqlite"
    copy.write_text("somebody's")
    with pytest.raises(StorageError, match="choose another name"):
        copies.back_up(path, copy)
    assert copy.read_text() == "somebody's"
    copy.unlink()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(copies, "_take_along", full)
    with pytest.raises(StorageError, match="No space left"):
        copies.back_up(path, copy)
    assert [name for name in os.listdir(tmp_path) if "copy" in name] == []


def test_a_disk_without_links_takes_a_copy_too(path, tmp_path, monkeypatch):
    def refused(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refused)
    copies.back_up(path, tmp_path / "copy.sqlite")
    assert recovered(path)[0] == 0 and (tmp_path / "copy.sqlite").exists()


def test_a_damaged_log_gives_back_what_people_wrote(path):
    before = brought_back(path)
    with contextlib.closing(sqlite3.connect(path)) as db:  # SQLite sees it, every row can be read
        db.execute("PRAGMA foreign_keys = OFF")
        with db:
            db.execute("INSERT INTO tags VALUES (4711, 'of no run')")
    _, said = recovered(path)
    assert any("was moved to" in line for line in said), said
    lost = [line for line in said if "could not be taken over" in line]
    assert lost == ["1 rows of tags could not be taken over."], "that of no run, and nothing else"
    assert brought_back(path) == before


def test_when_the_last_copy_was_made(path, tmp_path):
    assert copies.last(path) is None
    copies.note(path, "a stick", 12)
    found = copies.last(path)
    assert (found.where, found.bytes) == ("a stick", 12)
    (path.parent / copies.LAST).write_text("{")
    assert copies.last(path) is None
    copies.note(tmp_path / "nowhere" / "runs.sqlite", "a stick", 12)  # never raises


def test_a_copy_that_cannot_be_made_says_why_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = tmp_path / "runs.sqlite"
    with RunLog(log):
        pass
    with pytest.raises(StorageError) as missing:
        copies.back_up(log, tmp_path / "none" / "copy")
    assert str(missing.value).startswith(f"There is no folder {tmp_path / 'none'}; nothing was")
    # where the unfinished copy would be written
    (tmp_path / ".copy.part").symlink_to("/dev/full")
    monkeypatch.setattr(Path, "unlink", lambda *_, **__: None)
    with pytest.raises(StorageError) as found:
        copies.back_up(log, tmp_path / "copy")
    words = str(found.value)
    assert words.count("could not be copied") == words.count("nothing was changed") == 1
    assert "Errno" not in words and ".part" not in words
