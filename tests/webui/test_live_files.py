# SPDX-License-Identifier: MIT
"""Setups and sheets of the page: only what was offered, and a form that is the file."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

import pytest

from rig.core.errors import FileProblems, StorageError, UsageError
from webui.live.files import TEMPLATES, Files, SheetKept
from webui.live.sheet_form import form_of, text_of

DEMO = Path(__file__).parents[2] / "demo"
SHEETS = [*sorted(DEMO.glob("*.sheet.toml")), *TEMPLATES.values()]


@pytest.fixture
def files(tmp_path: Path) -> Files:
    return Files([DEMO], [DEMO], tmp_path / "own")


@pytest.mark.parametrize("path", SHEETS, ids=lambda path: path.name)
def test_a_form_sent_back_unchanged_is_the_same_sheet(path: Path) -> None:
    form = form_of(path.read_text())
    again = text_of({field.name: field.text for field in form.fields})
    before, after = tomllib.loads(path.read_text()), tomllib.loads(again)
    assert after == before


def test_names_are_looked_up_and_never_paths(files: Files) -> None:
    assert set(files.setups) == {"workshop", "leak-down"} | {
        name for name in files.setups if name not in ("workshop", "leak-down")
    }
    for name in ("../secret", "/etc/passwd", "workshop.sheet.toml", ""):
        with pytest.raises(UsageError):
            files.sheet_path(name)
        with pytest.raises(UsageError):
            files.pair(name, "workshop")


def test_an_edited_sheet_is_checked_like_a_file_and_kept(files: Files) -> None:
    text = (DEMO / "workshop.sheet.toml").read_text()
    kept = files.save_sheet("workshop", "ten strokes", text.replace("strokes = 20", "strokes = 10"))
    assert kept.read_text().count("strokes = 10") == 1
    assert files.pair("workshop", "ten strokes")[1].sheet.kind == "strokes"


def test_a_sheet_kept_before_is_replaced_only_when_told(files: Files) -> None:
    text = (DEMO / "workshop.sheet.toml").read_text()
    kept = files.save_sheet("workshop", "mine", text)
    with pytest.raises(SheetKept, match="mine"):
        files.save_sheet("workshop", "mine", text.replace("strokes = 20", "strokes = 10"))
    assert kept.read_text() == text
    other = text.replace("strokes = 20", "strokes = 10")
    files.save_sheet("workshop", "mine", other, replace=True)
    assert kept.read_text() == other


def test_a_disk_that_refuses_leaves_the_sheet_that_was_there(
    files: Files, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = (DEMO / "workshop.sheet.toml").read_text()
    kept = files.save_sheet("workshop", "mine", text)

    def full(_fd: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched, pytest.raises(StorageError, match="No space left"):
        patched.setattr(os, "fsync", full)
        other = text.replace("strokes = 20", "strokes = 10")
        files.save_sheet("workshop", "mine", other, replace=True)
    assert kept.read_text() == text
    assert [path.name for path in kept.parent.iterdir()] == [kept.name]


def test_all_problems_at_once_and_nothing_kept(files: Files) -> None:
    text = 'kind = "strokes"\nstrokes = 0\non_time = "3"\nrest = "1 s"\n'
    with pytest.raises(FileProblems) as caught:
        files.save_sheet("workshop", "bad", text)
    assert {problem.key for problem in caught.value.problems} >= {"strokes", "on_time"}
    assert "bad" not in files.sheets


@pytest.mark.parametrize("name", ["", "../x", "a/b", ".hidden", "x" * 80, "workshop"])
def test_names_that_may_not_be_kept(files: Files, name: str) -> None:
    with pytest.raises(FileProblems):
        files.save_sheet("workshop", name, (DEMO / "workshop.sheet.toml").read_text())
