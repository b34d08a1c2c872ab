# SPDX-License-Identifier: MIT
"""Files as they are found on disks: missing, unreadable, of another kind, badly written."""

from __future__ import annotations

import errno
import hashlib
import os
from pathlib import Path

import pytest
from config_texts import SETUP, STROKES, put

from rig.config.files.loading import load_pair, load_setup, load_sheet, setup_from_text
from rig.config.files.toml_file import LARGEST_BYTES
from rig.core.errors import FileProblems, Problem


def problem_of(path: Path | str) -> Problem:
    with pytest.raises(FileProblems) as caught:
        load_setup(path)
    (problem,) = caught.value.problems
    assert problem.file == os.fsdecode(path)
    assert len(problem.remedy) > 10
    return problem


def test_loads_a_pair(tmp_path: Path) -> None:
    (tmp_path / "a.setup.toml").write_text(SETUP)
    (tmp_path / "a.sheet.toml").write_text(STROKES)
    setup, sheet = load_pair(tmp_path / "a.setup.toml", tmp_path / "a.sheet.toml")
    assert sheet is not None
    assert setup.setup.relay.line == 17
    assert sheet.sheet.kind == "strokes"
    assert setup.text == SETUP
    assert setup.path == str(tmp_path / "a.setup.toml")
    # the hash names the text: the same digits as sha256sum shows first
    assert setup.hash == hashlib.sha256(SETUP.encode()).hexdigest()[:16]
    assert sheet.hash == load_sheet(tmp_path / "a.sheet.toml").hash != setup.hash
    assert load_pair(tmp_path / "a.setup.toml", None)[1] is None
    assert setup_from_text(setup.text, "stored").setup == setup.setup


def test_any_file_name_will_do(tmp_path: Path) -> None:
    (tmp_path / "rig.txt").write_text(SETUP)
    assert load_setup(tmp_path / "rig.txt").setup.title == "a rig"


def test_windows_line_ends_and_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "a.setup.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SETUP.replace("\n", "\r\n").encode())
    loaded = load_setup(path)
    assert loaded.setup == setup_from_text(SETUP, "x").setup
    assert "\r\n" in loaded.text


def test_missing(tmp_path: Path) -> None:
    assert "no such file" in problem_of(tmp_path / "none.toml").what


def test_name_that_no_file_can_have() -> None:
    assert "cannot be read" in problem_of_name("a\0b").what


def problem_of_name(name: str) -> Problem:
    with pytest.raises(FileProblems) as caught:
        load_setup(name)
    return caught.value.problems[0]


def test_name_that_is_not_text(tmp_path: Path) -> None:
    name = os.fsdecode(os.fsencode(tmp_path) + b"/\xff\x1b.toml")
    problem = problem_of_name(name)
    assert "no such file" in problem.what
    assert problem.file.isprintable()
    str(problem).encode()  # can be printed on any terminal


def test_folder(tmp_path: Path) -> None:
    assert "folder or a device" in problem_of(tmp_path).what


def test_named_pipe_does_not_hang(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert "folder or a device" in problem_of(tmp_path / "pipe").what


def test_device() -> None:
    assert "folder or a device" in problem_of("/dev/zero").what


def test_unreadable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden(*_: object) -> int:  # root may read everything, so the kernel's no is played
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr("rig.config.files.toml_file.os.open", forbidden)
    problem = problem_of(tmp_path / "a.toml")
    assert "cannot be read: Permission denied" in problem.what
    assert "who may read it" in problem.remedy


def test_not_utf8(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_bytes(SETUP.encode() + b"\n# 20 \xb0C\n")
    problem = problem_of(path)
    assert "not UTF-8" in problem.what
    assert f"line {SETUP.count(chr(10)) + 2}" in problem.what


def test_too_large(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_text(SETUP + "#" * LARGEST_BYTES)
    assert "64 KiB" in problem_of(path).what
    with pytest.raises(FileProblems, match="64 KiB"):
        setup_from_text(SETUP + "#" * LARGEST_BYTES, "x")


BADLY_WRITTEN = [
    ("fuse = 5 A", "line 3, column 10", "fuse = 5 A", "between quotes"),
    ("contact = normally open", "line 3, column 11", "contact = normally open", "between quotes"),
    ('fuse "5 A"', "line 3, column 6", 'fuse "5 A"', "key = value"),
    ('fuse = "5 A', "line 3, column 12", 'fuse = "5 A', "Correct this line"),
    ("[coil", "line 3, column ", "[coil", "[table]"),
    ("medium = 'x'\nmedium = 'y'", "line 4, column ", "given twice", "one of the two"),
    ("[coil]\n[coil]", "line 4, column ", "given twice", "one of the two"),
    ("x = \x00", "line 3, column 5", "x = \\x00", "between quotes"),
    ("x = " + "[" * 30000, "", "not a setup or sheet", "right file"),
    ("x = " + "9" * 6000, "", "not a setup or sheet", "right file"),
]


@pytest.mark.parametrize(
    ("line", "where", "what", "remedy"), BADLY_WRITTEN, ids=[row[0][:20] for row in BADLY_WRITTEN]
)
def test_badly_written(line: str, where: str, what: str, remedy: str, tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_text("# a remark\n\n" + line)
    problem = problem_of(path)
    assert problem.key.startswith(where)
    assert bool(problem.key) == bool(where)
    assert what in problem.what
    assert remedy in problem.remedy


def test_both_files_are_refused_together(tmp_path: Path) -> None:
    (tmp_path / "a.setup.toml").write_text("fuse = 5 A")
    (tmp_path / "a.sheet.toml").write_text(put(STROKES, "rest", "3"))
    with pytest.raises(FileProblems) as caught:
        load_pair(tmp_path / "a.setup.toml", tmp_path / "a.sheet.toml")
    assert [Path(p.file).name for p in caught.value.problems] == ["a.setup.toml", "a.sheet.toml"]
    with pytest.raises(FileProblems) as caught:
        load_pair(tmp_path / "none", tmp_path / "nothing")
    assert len(caught.value.problems) == 2


def test_a_setup_and_a_sheet_in_the_wrong_order_are_one_word_each(tmp_path: Path) -> None:
    setup, sheet = tmp_path / "a.setup.toml", tmp_path / "a.sheet.toml"
    setup.write_text(SETUP)
    sheet.write_text(STROKES)
    with pytest.raises(FileProblems) as caught:
        load_pair(sheet, setup)
    assert [p.what for p in caught.value.problems] == [
        "This is a sheet, and a setup was expected.",
        "This is a setup, and a sheet was expected.",
    ]
