# SPDX-License-Identifier: MIT
import errno
import os

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from recorder_parts import lines
from run_headers import header

from rig.core.errors import StorageError
from rig.recorder.raw_file import RawFile, RawReader, raw_file_name

GIVEN = header()
RECORDS = lines(12)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """The bytes of a raw file with RECORDS, and where its records begin."""
    path = tmp_path_factory.mktemp("raw") / "whole.raw"
    raw = RawFile(path, GIVEN)
    raw.append(RECORDS[:5])
    raw.append(RECORDS[5:])
    raw.sync()
    raw.close()
    data = path.read_bytes()
    return data, data.index(b"\n") + 1


@pytest.fixture(scope="module")
def scratch(tmp_path_factory):
    return tmp_path_factory.mktemp("raw") / "damaged.raw"


def read(path, data):
    path.write_bytes(data)
    reader = RawReader(path)
    return list(reader.lines()), reader


def test_everything_comes_back(whole, scratch):
    got, reader = read(scratch, whole[0])
    assert got == RECORDS
    assert reader.damage is None
    assert reader.header == GIVEN
    assert list(reader.lines()) == RECORDS  # a second time too


def test_a_raw_file_is_never_written_over(tmp_path):
    path = tmp_path / "run.raw"
    path.write_text("someone's data")
    with pytest.raises(StorageError, match="never written over"):
        RawFile(path, GIVEN)
    assert path.read_text() == "someone's data"


def test_names_sort_by_start_and_never_meet():
    name = raw_file_name(GIVEN)
    assert name == f"20231114T221320Z-{GIVEN.uid[:8]}.raw"
    assert raw_file_name(header()) != name


@settings(max_examples=200)
@given(data=st.data())
def test_any_cut_leaves_every_whole_record(whole, scratch, data):
    text, first = whole
    size = data.draw(st.integers(first, len(text)))
    got, reader = read(scratch, text[:size])
    complete = (text[:size] + b"\n").count(b"\n") - 1
    if text[:size].endswith(b"\n"):
        assert got == RECORDS[: complete - 1]
        assert reader.damage is None
    else:
        only_newline = text[size : size + 1] == b"\n"
        assert got == RECORDS[: complete - 1 + only_newline]
        assert reader.damage.cut
        assert "everything before it is intact" in str(reader.damage)
    assert reader.count == len(got), "a line cut off is no record that is missing"


@settings(max_examples=300)
@given(data=st.data())
def test_any_changed_byte_costs_one_record_at_most(whole, scratch, data):
    """The records after it are read too: of changed digits or a newline none is lost at all."""
    text, first = whole
    at = data.draw(st.integers(first, len(text) - 1))
    value = data.draw(st.integers(0, 255).filter(lambda byte: byte != text[at]))
    got, reader = read(scratch, text[:at] + bytes([value]) + text[at + 1 :])
    hit = text[:at].count(b"\n") - 1
    column = at - text.rfind(b"\n", 0, at) - 1
    harmless = (column < 9 and hit < len(RECORDS) - 1) or text[at : at + 1] == b"\n"
    assert got in ([RECORDS, without(hit)] if harmless else [without(hit)])
    if text[at : at + 1] == b"\n":
        assert got == RECORDS
    assert reader.damage.line == hit + 2
    assert reader.count == len(RECORDS), "what was left out is counted"


def without(*numbers):
    return [line for n, line in enumerate(RECORDS) if n not in numbers]


@pytest.mark.parametrize(
    ("how", "expected"),
    [("removed", without(3, 4)), ("doubled", RECORDS), ("moved", without(4, 5))],
)
def test_whole_lines_that_do_not_follow_each_other_show(whole, scratch, how, expected):
    """A line whose predecessor is not there cannot be checked, and is left out."""
    parts = whole[0].splitlines(keepends=True)
    if how == "removed":
        del parts[4]
    elif how == "doubled":
        parts.insert(4, parts[4])
    else:
        parts[4], parts[5] = parts[5], parts[4]
    got, reader = read(scratch, b"".join(parts))
    if how == "moved":
        assert set(expected) - set(got) == set() and got == sorted(got, key=RECORDS.index)
    else:
        assert got == expected
    assert not reader.damage.cut
    assert "every other one was read" in str(reader.damage)


def test_zeros_that_a_power_cut_leaves_are_a_cut_tail(whole, scratch):
    got, reader = read(scratch, whole[0] + b"\0" * 4096)
    assert got == RECORDS
    assert reader.damage.cut


@pytest.mark.parametrize("data", [b"", b"something else\n", b"\0" * 5000, b'00000000 {"raw_file"'])
def test_another_file_is_refused(scratch, data):
    with pytest.raises(StorageError, match="not a raw file of this program, or its first line"):
        read(scratch, data)


@pytest.mark.parametrize("part", [slice(1, None), slice(50, None)])
def test_without_its_first_line_the_records_are_there(whole, scratch, part):
    """All but the first, which has nothing left to be checked against."""
    got, reader = read(scratch, whole[0][part])
    assert reader.header is None or reader.header_doubtful
    assert got[-11:] == RECORDS[1:]
    assert reader.damage.line == 1


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(StorageError, match="cannot be read: No such file"):
        RawReader(tmp_path / "gone.raw")


def test_a_folder_that_is_not_there(tmp_path):
    with pytest.raises(StorageError, match="its folder is not there"):
        RawFile(tmp_path / "gone" / "run.raw", GIVEN)


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "the disk is full"),
        (errno.EIO, "the disk failed"),
        (errno.EROFS, "read-only"),
    ],
)
def test_a_disk_that_refuses_half_way_leaves_whole_lines(tmp_path, monkeypatch, number, words):
    path = tmp_path / "run.raw"
    raw = RawFile(path, GIVEN)
    raw.append(RECORDS[:3])
    really, room = os.write, [100]

    def write(fd, data):
        if not room[0]:
            raise OSError(number, os.strerror(number))
        taken = really(fd, bytes(data)[: room[0]])
        room[0] -= taken
        return taken

    monkeypatch.setattr(os, "write", write)
    with pytest.raises(StorageError, match=words):
        raw.append(RECORDS[3:])
    monkeypatch.undo()
    raw.close()
    reader = RawReader(path)
    assert list(reader.lines()) == RECORDS[:3]
    assert reader.damage is None


def test_a_start_that_the_disk_refuses_leaves_no_file(tmp_path, monkeypatch):
    def fsync(fd):
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "fsync", fsync)
    with pytest.raises(StorageError, match="the disk failed"):
        RawFile(tmp_path / "run.raw", GIVEN)
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def synced(monkeypatch):
    """What was synced: (name of file or folder, bytes in the file by then)."""
    done = []

    def noting(really):
        def sync(fd):
            really(fd)
            path = os.readlink(f"/proc/self/fd/{fd}")
            done.append(
                (os.path.basename(path), os.fstat(fd).st_size if path[-4:] == ".raw" else 0)
            )

        return sync

    for name in ("fsync", "fdatasync"):
        monkeypatch.setattr(os, name, noting(getattr(os, name)))
    return done


def test_a_new_raw_file_is_synced_and_its_folder_after_it(tmp_path, synced):
    """Without the folder a power cut can take the file with all of its synced bytes."""
    raw = RawFile(tmp_path / "run.raw", GIVEN)
    size = (tmp_path / "run.raw").stat().st_size
    assert size > 0
    assert synced == [("run.raw", size), (tmp_path.name, 0)]
    raw.close()


def test_sync_is_of_everything_appended(tmp_path, synced):
    raw = RawFile(tmp_path / "run.raw", GIVEN)
    raw.append(RECORDS)
    size = (tmp_path / "run.raw").stat().st_size
    del synced[:]
    raw.sync()
    assert synced == [("run.raw", size)]
    raw.close()


def test_what_was_appended_can_be_read_back_also_of_a_file_that_was_removed(tmp_path):
    raw = RawFile(tmp_path / "run.raw", GIVEN)
    raw.append(RECORDS)
    (tmp_path / "run.raw").unlink()
    assert raw.read_back() == RECORDS
    raw.close()
    with pytest.raises(OSError, match="Bad file descriptor"):
        raw.read_back()
