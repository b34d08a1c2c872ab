# SPDX-License-Identifier: MIT
"""The report as a page: the same text as the command's, its PDF, and what is refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from flask.testing import FlaskClient

from rig.core.errors import UsageError
from rig.report import page, pdf
from rig.report.input import reported
from rig.runlog.store import RunLog
from webui.work import heavy

Writer = Callable[..., int]


def body(html: str) -> str:
    return html[html.index("<main") :]


def test_the_page_prints_what_the_command_writes(
    client: FlaskClient, written: Writer, log_path: Path
) -> None:
    written(strokes=5)
    written(strokes=5, response_ms=60)
    answer = client.get("/runs/2/report?before=1")
    assert answer.status_code == 200
    with RunLog(log_path, readonly=True) as log:
        assert body(answer.text) == body(page.render(reported(log, 2, before=1)))
    assert "<style" not in answer.text  # the page's policy forbids styles inside
    assert client.get("/report.css").mimetype == "text/css"


def test_the_pdf_names_its_source(client: FlaskClient, written: Writer) -> None:
    written(strokes=3)
    with client.get("/runs/1/report.pdf?paper=letter") as answer:
        assert (answer.status_code, answer.mimetype) == (200, "application/pdf")
        assert answer.data.startswith(b"%PDF")
        assert "run-1-report-simulated.pdf" in answer.headers["Content-Disposition"]


def test_without_the_libraries_the_page_says_so(
    client: FlaskClient, written: Writer, monkeypatch
) -> None:
    written(strokes=3)

    def refuse(_documents: object, _sheets: int) -> bytes:
        raise UsageError("PDF needs the system's Pango. Type: apt-get install it")

    monkeypatch.setattr(pdf, "to_pdf", refuse)
    # here, since the other process would find the libraries
    monkeypatch.setattr(heavy, "_done", lambda work, needed: heavy.WORK[work](**needed))
    answer = client.get("/runs/1/report.pdf")
    assert answer.status_code == 501
    assert "apt-get install" in answer.text


def test_what_is_refused(client: FlaskClient, written: Writer) -> None:
    written(strokes=3, status="running")
    assert client.get("/runs/1/report").status_code == 409
    assert client.get("/runs/7/report").status_code == 404
    written(strokes=3)
    assert client.get("/runs/2/report?before=9").status_code == 404
    assert client.get("/runs/2/report?before=-1").status_code == 400
    assert client.get("/runs/2/report?paper=a3").status_code == 400
    assert client.get("/runs/2/report?colour=1").status_code == 400


def test_earlier_runs_of_the_same_valve_are_offered(client: FlaskClient, written: Writer) -> None:
    written(strokes=3, valve="A")
    written(strokes=3, valve="B")
    written(strokes=3, valve="A")
    text = client.get("/runs/3/report/before").text
    assert "before=1" in text
    assert "before=2" not in text
    assert "report" in client.get("/runs/3").text
