# SPDX-License-Identifier: MIT
"""Searching the log, tags, notes, removing with an undo, exports, heavy work."""

from __future__ import annotations

import io
import re
import signal
import subprocess
import threading
import time
import zipfile
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from log_work_parts import CAPTURE, Written, send, shown
from page_client import token

from rig.runlog.store import RunLog
from webui.app import create_app
from webui.faults import PageFault
from webui.work import heavy


def post(client: FlaskClient, address: str, **form: object) -> int:
    return client.post(address, data={"csrf": token(client), **form}).status_code


def test_the_list_is_narrowed_by_what_is_known(client: FlaskClient, written: Written) -> None:
    written(valve="A", job="J1", by="Kim")
    written(valve="B", job="J1", by="Lee", source="board")
    written(valve="A", job="J2", by="Lee", source="board", status="tripped", trip=True)
    assert shown(client, "/runs") == [3, 2, 1]
    assert shown(client, "/runs?valve=A") == [3, 1]
    assert shown(client, "/runs?job=J1&by=Lee") == [2]
    assert shown(client, "/runs?source=board&status=tripped") == [3]
    assert shown(client, "/runs?order=oldest") == [1, 2, 3]
    assert shown(client, "/runs?verdict=none") == []
    assert shown(client, "/runs?since=2001-01-01&until=2002-01-01") == []
    assert sorted(shown(client, "/runs?order=slowest")) == sorted(
        shown(client, "/runs?order=fastest")
    )
    assert client.get("/runs?order=upside").status_code == 400
    assert client.get("/runs?since=yesterday").status_code == 400


def test_pages_follow_one_another_without_a_gap(client: FlaskClient, written: Written) -> None:
    for _ in range(45):
        written(strokes=1)
    first = client.get("/runs")
    (following,) = re.findall(r'rel="next" href="([^"]+)"', first.text)
    numbers = shown(client, "/runs") + shown(client, following.replace("&amp;", "&"))
    assert numbers == list(range(45, 0, -1))


def test_tags_and_notes_are_written_down_and_found(client: FlaskClient, written: Written) -> None:
    run = written()
    written()
    assert post(client, f"/runs/{run}/tags", tag="  before   repair ") == 302
    assert post(client, f"/runs/{run}/notes", text="Plug was loose.\nMended.", by="Kim") == 302
    page = client.get(f"/runs/{run}").text
    assert "before repair" in page and "Plug was loose." in page and "Kim" in page
    assert shown(client, "/runs?tag=before repair") == [run]
    assert post(client, f"/runs/{run}/tags", remove="before repair") == 302
    assert shown(client, "/runs?tag=before repair") == []


@pytest.mark.parametrize(
    ("address", "form"),
    [("tags", {"tag": ""}), ("tags", {"tag": "x" * 41}), ("tags", {"tag": "a,b"}),
     ("notes", {"text": " "}), ("notes", {"text": "x" * 4001})],
)  # fmt: skip
def test_what_cannot_be_written_down_says_why(
    client: FlaskClient, written: Written, address: str, form: dict[str, str]
) -> None:
    run = written()
    answer = client.post(f"/runs/{run}/{address}", data={"csrf": token(client), **form})
    assert answer.status_code == 400 and "Go back" in answer.text


def test_a_page_with_scripts_gets_only_the_part_that_changed(
    client: FlaskClient, written: Written
) -> None:
    run = written()
    headers = {"HX-Request": "true", "X-CSRF": token(client)}
    answer = client.post(f"/runs/{run}/tags", data={"tag": "spare"}, headers=headers)
    assert answer.status_code == 200 and "spare" in answer.text and "<html" not in answer.text
    wrong = client.post(f"/runs/{run}/tags", data={"tag": "a,b"}, headers=headers)
    assert wrong.status_code == 422 and "Not written down" in wrong.text
    assert 'name="tag" value="a,b"' in wrong.text and "spare" in wrong.text
    assert client.post("/runs/77/notes", data={"text": "x"}, headers=headers).status_code in (
        404,
        422,
    )


def test_what_a_person_writes_is_never_markup(client: FlaskClient, written: Written) -> None:
    run = written()
    nasty = "<script>alert(1)</script>"
    post(client, f"/runs/{run}/tags", tag=nasty)
    post(client, f"/runs/{run}/notes", text=nasty, by=nasty)
    assert nasty not in client.get(f"/runs/{run}").text
    assert nasty not in client.get("/runs").text


def test_removing_can_be_undone_and_loses_nothing(
    client: FlaskClient, written: Written, log_path: Path
) -> None:
    for _ in range(3):
        written()
    before = [list(RunLog.reading(log_path).load(n).chunks()) for n in (1, 2)]
    answer = client.post("/log/remove", data={"csrf": token(client), "run": ["1", "2"]})
    assert answer.status_code == 302
    page = client.get(answer.location)
    assert "Undo" in page.text and shown(client, answer.location) == [3]
    assert shown(client, "/log/removed") == [2, 1]
    assert client.get("/runs/1").status_code == 200, "a run off the list can still be opened"
    client.post("/log/restore", data={"csrf": token(client), "run": ["1", "2"]})
    assert shown(client, "/runs") == [3, 2, 1]
    assert [list(RunLog.reading(log_path).load(n).chunks()) for n in (1, 2)] == before


def test_a_run_that_goes_on_is_not_removed(client: FlaskClient, written: Written) -> None:
    run = written(status="running", analysed=False)
    post(client, "/log/remove", run=str(run))
    assert shown(client, "/runs") == [run]


@pytest.mark.parametrize("kind", ["csv", "json", "vcd"])
def test_several_runs_leave_in_one_archive(
    client: FlaskClient, written: Written, kind: str
) -> None:
    written()
    written()
    answer = client.get(f"/log/export?run=1&run=2&to={kind}")
    names = zipfile.ZipFile(io.BytesIO(answer.data)).namelist()
    assert names == [f"INVENTED-7-run-{n}-simulated.{kind}" for n in (1, 2)]
    with client.get(f"/runs/1/run.{kind}") as one:
        alone = one.data
    assert zipfile.ZipFile(io.BytesIO(answer.data)).read(names[0]) == alone
    answer.close()


def test_heavy_work_is_not_done_in_the_pages_own_process(
    client: FlaskClient, written: Written, monkeypatch: pytest.MonkeyPatch
) -> None:
    written()

    def here(*_: object) -> None:
        raise AssertionError("in the page's process")

    for name in (
        "webui.log.decode",
        "rig.actions.analyse_run.analysed",
        "rig.actions.analyse_run.recording_of",
    ):
        monkeypatch.setattr(name, here)
    begins = {"/log/export?run=1&to=json": b"PK", "/runs/1/run.csv": b"#",
              "/runs/1/run.json": b"{", "/runs/1/run.vcd": b"$"}  # fmt: skip
    for address, first in begins.items():
        with client.get(address) as answer:
            assert answer.status_code == 200 and answer.data.startswith(first), address
    assert send(client, CAPTURE.encode(), keep="yes")[0] == 302
    assert shown(client, "/runs?source=capture") == [2]


def test_faults_of_heavy_work_are_told_in_words(client: FlaskClient, written: Written) -> None:
    written()
    with client.get("/log/export?run=77") as answer:
        assert answer.status_code == 404 and "There is no run 77" in answer.text


def test_heavy_work_that_dies_is_told(
    client: FlaskClient, written: Written, monkeypatch: pytest.MonkeyPatch
) -> None:
    written()
    monkeypatch.setattr("webui.work.heavy.WITHIN_S", 0.01)
    with client.get("/log/export?run=1") as answer:
        assert answer.status_code == 500 and "fewer runs" in answer.text


@pytest.mark.parametrize("to", ["/log/export?run=1&to=csv", "/runs/1/run.csv", "/log/results.csv"
                                "?run=1", "/runs/1/report.pdf"])  # fmt: skip
def test_heavy_work_ends_when_nobody_waits_for_it(
    client: FlaskClient, written: Written, monkeypatch: pytest.MonkeyPatch, to: str
) -> None:
    written(strokes=3)
    begun, look = [], subprocess.Popen

    def note(*words: Any, **more: Any) -> Any:
        begun.append(look(*words, **more))
        return begun[-1]

    monkeypatch.setattr("webui.work.heavy.subprocess.Popen", note)
    asked: list[bool] = []  # the third look finds the browser gone
    gone = {"waitress.client_disconnected": lambda: asked.append(True) or len(asked) > 2}
    monkeypatch.setattr("webui.work.importing.LOOK_S", 0.01)
    with client.get(to, environ_overrides=gone) as answer:
        assert answer.status_code == 500
    assert [one.returncode for one in begun] == [-signal.SIGKILL]


def test_what_writes_is_done_whoever_waits(client: FlaskClient, written: Written) -> None:
    """Ended half-way it would leave half a run, or half a copy."""
    written()
    gone = {"waitress.client_disconnected": lambda: True}
    log = client.application.config["RUN_LOG"]
    copy = log.with_name("copy.sqlite")
    with client.application.test_request_context(environ_overrides=gone):
        heavy.do("backup", log=str(log), target=str(copy))
    assert copy.stat().st_size > 0


@pytest.mark.parametrize("words", ["", "run=x", "run=1&to=exe", "&".join(["run=1"] * 300)])
def test_what_cannot_be_exported(client: FlaskClient, written: Written, words: str) -> None:
    written()
    with client.get(f"/log/export?{words}") as answer:
        status = answer.status_code
    assert status == 400 or words.startswith("run=1&run=1")


def test_a_large_form_elsewhere_is_not_taken(client: FlaskClient, written: Written) -> None:
    run = written()
    assert post(client, f"/runs/{run}/notes", text="x" * 100_000) == 413
    answer = client.post(f"/runs/{run}/notes", data={"csrf": token(client), "text": "x" * 100_000})
    assert "Too much was sent at once" in answer.text and "nothing was written" in answer.text


def test_over_a_network_without_the_passcode_the_log_is_only_read(
    log_path: Path, written: Written
) -> None:
    written()
    client = create_app({"RUN_LOG": log_path, "PASSCODE_HASH": "x"}).test_client()
    for address in ("/log/remove", "/log/restore", "/runs/1/tags", "/runs/1/notes", "/log/import"):
        assert client.post(address, data={"csrf": token(client)}).status_code == 403
    assert "Take off the list" not in client.get("/runs").text


class Busy:
    """A hub whose rig is looked at, armed or at work."""

    at_rest = False


def test_heavy_work_waits_for_the_end_of_a_run(client: FlaskClient, written: Written) -> None:
    """An archive and a capture would take the processor from the bench."""
    run = written(strokes=3)
    client.application.extensions["hub"] = Busy()
    answer = client.get(f"/log/export?run={run}&to=csv")
    assert answer.status_code == 409 and "Not while the rig is in use" in answer.text
    one = client.get(f"/runs/{run}/run.csv")
    assert one.status_code == 409 and "Not while the rig is in use" in one.text
    del client.application.extensions["hub"]
    with client.get(f"/log/export?run={run}&to=csv") as kept:
        assert kept.status_code == 200


def test_one_heavy_piece_of_work_at_a_time_and_the_page_stays_free(
    client: FlaskClient, written: Written, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Thirty ask at once: few processes are started, few wait, the others are told so at once."""
    address = f"/log/results.csv?run={written(strokes=3)}"
    monkeypatch.setattr(heavy, "QUEUE_S", 0.3)
    at_work, most, free = [], [], threading.Event()

    def slow(*_: object) -> dict[str, str]:
        at_work.append(1)
        most.append(len(at_work))
        free.wait(10)
        at_work.pop()
        return {"wrong": ""}

    monkeypatch.setattr(heavy, "_done", slow)
    told: list[int] = []

    def ask() -> None:
        try:
            with client.application.app_context():
                heavy.do("results")
                told.append(200)
        except PageFault as fault:
            told.append(fault.status)

    crowd = [threading.Thread(target=ask) for _ in range(30)]
    for one in crowd:
        one.start()
    within_s = time.monotonic() + 5
    while len(told) < 30 - heavy.AT_ONCE and time.monotonic() < within_s:
        time.sleep(0.01)
    answer = client.get(address) if told else None
    free.set()
    for one in crowd:
        one.join()
    assert (max(most), sorted(told)) == (
        heavy.AT_ONCE,
        [200] * heavy.AT_ONCE + [429] * (30 - heavy.AT_ONCE),
    )
    assert answer is not None and answer.status_code == 429 and "ask again" in answer.text
    monkeypatch.undo()
    with client.get(address) as kept:
        assert kept.status_code == 200
