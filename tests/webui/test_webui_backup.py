# SPDX-License-Identifier: MIT
"""A copy of the log from the page: who may, when, and that it is one."""

from __future__ import annotations

import html
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest
from flask.testing import FlaskClient
from page_client import token

from rig.runlog import copies
from rig.runlog.store import RunLog
from webui.app import create_app
from webui.pages import backup

Writer = Callable[..., int]


def opened(log_path: Path, *folders: Path, operates: bool = True, **config: object) -> FlaskClient:
    client = create_app(
        {"RUN_LOG": log_path, "BACKUP_FOLDERS": list(folders), **config}
    ).test_client()
    if operates:
        client.post("/controls", data={"csrf": token(client)})
    return client


def take(client: FlaskClient, to: str = ""):
    return client.post("/log/backup", data={"csrf": token(client), "to": to})


def test_downloaded_it_is_the_log(written: Writer, log_path: Path, tmp_path: Path) -> None:
    written(strokes=5)
    client = opened(log_path)
    assert "None was made yet" in client.get("/log/backup").text
    answer = take(client)
    assert answer.status_code == 200
    assert re.search(
        r"filename=rig-copy-\d{8}T\d{6}Z.sqlite", answer.headers["Content-Disposition"]
    )
    copy = tmp_path / "copy.sqlite"
    copy.write_bytes(answer.data)
    answer.close()
    with RunLog(copy, readonly=True) as log, RunLog(log_path, readonly=True) as own:
        assert list(log.load(1).records()) == list(own.load(1).records())
    assert not list(log_path.parent.glob(".copy-*"))
    page = client.get("/log/backup").text
    assert "Last made today" in page and "downloaded" in page
    assert "Backup: last made today" in client.get("/runs").text


def test_after_a_download_there_is_a_way_to_see_it(written: Writer, log_path: Path) -> None:
    written(strokes=5)
    client = opened(log_path)
    page = client.get("/log/backup").text
    assert 'href="/log/backup">see the newest copy' in page and "None was made yet" in page
    take(client).close()
    assert "Last made today" in client.get("/log/backup").text


def test_into_a_folder_that_was_named_and_no_other(
    written: Writer, log_path: Path, tmp_path: Path
) -> None:
    written(strokes=5)
    stick, elsewhere = tmp_path / "stick", tmp_path / "elsewhere"
    stick.mkdir()
    elsewhere.mkdir()
    client = opened(log_path, stick)
    assert take(client, str(stick)).status_code == 303
    (copy,) = stick.iterdir()
    with RunLog(copy, readonly=True) as log:
        assert [row.id for row in log.runs()] == [1]
    assert str(copy) in client.get("/log/backup").text
    assert take(client, str(elsewhere)).status_code == 400
    assert not list(elsewhere.iterdir())
    shutil.rmtree(stick)
    answer = take(client, str(stick))
    assert (answer.status_code, "Plug in and mount" in answer.text) == (409, True)


def test_only_who_operates_and_not_beside_a_run(
    written: Writer, log_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    written(strokes=5)
    looking = opened(log_path, operates=False)
    assert "Take the controls" in looking.get("/log/backup").text
    assert take(looking).status_code == 403
    operating = opened(log_path)
    operating.application.extensions["hub"] = SimpleNamespace(at_rest=False)
    assert take(operating).status_code == 409
    operating.application.extensions["hub"] = SimpleNamespace(at_rest=True)
    answer = take(operating)
    assert answer.status_code == 200
    answer.close()


@pytest.mark.parametrize("free_mb", [305.0, float("nan")])
def test_a_disk_with_too_little_room(
    written: Writer, log_path: Path, monkeypatch: pytest.MonkeyPatch, free_mb: float
) -> None:
    written(strokes=5)
    monkeypatch.setattr(backup, "free_mb", lambda _: free_mb)
    monkeypatch.setattr(copies, "size_beside", lambda _: 20_000_000)
    answer = take(opened(log_path))
    assert (answer.status_code, "a copy needs 320 MB" in answer.text) == (409, True)


@pytest.mark.parametrize(
    ("days", "words", "old"),
    [(0, "today", False), (1, "a day ago", False), (6, "6 days ago", False), (8, "8 days", True)],
)
def test_its_age(
    written: Writer, log_path: Path, monkeypatch: pytest.MonkeyPatch, days: int, words: str,
    old: bool,
) -> None:  # fmt: skip
    written(strokes=2)
    copies.note(log_path, "downloaded", 1)
    now = time.time()
    monkeypatch.setattr(backup.time, "time", lambda: now + 86_400 * days + 60)
    page = opened(log_path, operates=False).get("/log/backup").text
    assert words in page
    assert ("Make one now" in page) == old


@pytest.mark.parametrize(
    "damaged", ['"bytes": 1e400, "utc_s": 1', '"bytes": 1, "utc_s": NaN',
                '"bytes": 1, "utc_s": 1e400', '"bytes": 1, "utc_s": -1e18'],
)  # fmt: skip
def test_a_damaged_note_of_the_last_copy_counts_as_none(
    written: Writer, log_path: Path, damaged: str
) -> None:
    written(strokes=3)
    (log_path.parent / copies.LAST).write_text(f'{{{damaged}, "where": "downloaded"}}')
    answer = opened(log_path).get("/log/backup")
    assert answer.status_code == 200 and "None was made yet" in answer.text


def test_the_lines_of_the_way_back_lead_to_the_copy_and_lose_no_run(tmp_path: Path) -> None:
    """Typed as the page shows them, by the shell; the newer run comes from its raw file."""
    data = tmp_path / "a rig's data"
    data.mkdir()
    (tmp_path / "rig").write_text(f'#!/bin/sh\nexec "{sys.executable}" -m rig.cli.main "$@"\n')
    (tmp_path / "rig").chmod(0o755)
    path = f"{tmp_path}{os.pathsep}{os.environ['PATH']}"
    env = {**os.environ, "RIG_DATA": str(data), "PATH": path}

    def typed(line: str) -> int:
        done = subprocess.run(["bash", "-c", line], env=env, cwd=tmp_path, capture_output=True)
        return done.returncode

    demo = Path(__file__).parents[2] / "demo"
    one_run = f"rig run {demo}/workshop.setup.toml {demo}/workshop.sheet.toml --fast --valve"
    assert typed(f"{one_run} FIRST") == 0
    copies.back_up(data / "runs.sqlite", tmp_path / "COPY.sqlite")
    assert typed(f"{one_run} SECOND") == 0
    page = opened(data / "runs.sqlite").get("/log/backup").text
    lines = html.unescape(re.findall(r"<pre[^>]*><code>(mkdir.*?)</code>", page, re.DOTALL)[0])
    del env["RIG_DATA"]
    assert typed(lines) == 0
    with RunLog(data / "runs.sqlite", readonly=True) as log:
        assert [row.valve for row in log.runs()] == ["SECOND", "FIRST"]
    (aside,) = data.glob("put-aside-*")
    with RunLog(aside / "runs.sqlite", readonly=True) as log:
        assert len(log.runs()) == 2
    assert typed(lines) != 0, "again, one log would lie over the other"
    assert data.joinpath("runs.sqlite").exists()
