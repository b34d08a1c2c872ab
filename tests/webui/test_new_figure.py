# SPDX-License-Identifier: MIT
"""A figure is its line in the table and its numbers: everything else shows, exports and judges it.

The made-up one is half the response time, so that each of its numbers is known.
"""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from rig.actions.analyse_run import analysed, recording_of
from rig.analysis.measure.stroke_table import StrokeTable
from rig.cli.terminal.render import show_result
from rig.core.figures import FIGURES, Figure
from rig.runlog.store import RunLog
from rig.text import results_table
from webui import helptexts

KEY = "half_response_ms"
MADE_UP = Figure(
    "half_response", KEY, "Half response time", "half of the response time, made up",
    "strokes", "time", "higher", "response-time", "switch", '"50 ms"',
)  # fmt: skip


@pytest.fixture
def made_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """The table with one figure more."""
    monkeypatch.setitem(FIGURES, MADE_UP.name, MADE_UP)
    half = property(lambda table: table.response_ms / 2)
    monkeypatch.setattr(StrokeTable, KEY, half, raising=False)


def rows(result: dict[str, object], *, by_stroke: bool) -> list[dict[str, str]]:
    out = io.StringIO()
    results_table.write(out, [result], by_stroke=by_stroke)
    out.seek(0)
    return list(csv.DictReader(out))


@pytest.mark.usefixtures("made_up")
def test_a_new_figure_is_on_terminal_page_report_and_in_csv(
    client: FlaskClient,
    written: Callable[..., int],
    log_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    before = [results_table.columns(by_stroke=by_stroke) for by_stroke in (False, True)]
    run = written(strokes=6, response_ms=80.0, bounce=False)
    with RunLog(log_path, readonly=True) as log:
        result = json.loads(json.dumps(analysed(log.load(run))))
    mean = result["summary"]["response_ms"]["mean"] / 2
    assert result["summary"][KEY]["mean"] == pytest.approx(mean)
    each = [pytest.approx(one["response_ms"] / 2) for one in result["strokes"]]
    assert [one[KEY] for one in result["strokes"]] == each

    for more in ({}, {"full": True}):
        show_result(result, **more)
        shown = capsys.readouterr().out
        assert "half response" in shown
        assert f"{mean:.2f}" in shown
    show_result(result, tsv=True)
    assert f"{KEY}.mean\t{mean:.4f}" in capsys.readouterr().out

    page = client.get(f"/runs/{run}").text
    assert 'href="/help/numbers#response-time">Half response time: what it means</a>' in page
    assert "Half of the response time, made up." in page
    assert ">Half response</th>" in page
    for one in result["strokes"]:
        assert f'data-label="half response">{one[KEY]:.2f}</td>' in page
    assert client.get(f"/api/runs/{run}/strokes").json[KEY] == each

    report = client.get(f"/runs/{run}/report").text
    assert "Half response time" in report
    assert f"{mean:.2f} ms" in report

    (of_run,), of_strokes = (rows(result, by_stroke=by_stroke) for by_stroke in (False, True))
    assert float(of_run[f"{KEY}_mean"]) == pytest.approx(mean)
    assert [float(one[KEY]) for one in of_strokes] == each
    for was, now in zip(before, (of_run, of_strokes[0]), strict=True):
        assert list(now) == was


def test_a_columns_place_never_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    before = [results_table.columns(by_stroke=by_stroke) for by_stroke in (False, True)]
    monkeypatch.setitem(FIGURES, MADE_UP.name, MADE_UP)
    for by_stroke, was in zip((False, True), before, strict=True):
        now = results_table.columns(by_stroke=by_stroke)
        assert now[: len(was)] == was
        assert all(name.startswith(KEY) for name in now[len(was) :])
        assert len(now) > len(was)


@pytest.mark.usefixtures("made_up")
def test_what_nobody_worked_out_an_uncertainty_for_decides_nothing(
    written: Callable[..., int], log_path: Path
) -> None:
    from rig.analysis.analyse import analyse
    from rig.analysis.verdict.judged_figures import measured

    run = written(strokes=6)
    with RunLog(log_path, readonly=True) as log:
        recording = recording_of(log.load(run), None)
    found = analyse(recording, None, None)
    judged = measured(found.strokes, found.reference, None, None, found.marks, found.budgets)
    assert judged["half_response"].doubtful.all()
    assert not judged["response"].doubtful.any()


def test_a_sheet_may_set_a_limit_for_it() -> None:
    """In a program of its own: the names of figures are read when the sheet's model is made."""
    program = f"""
from rig.core.figures import FIGURES, Figure
FIGURES["half_response"] = Figure(*{tuple(MADE_UP)!r})
from rig.config.sheet.model import Accept
limit = Accept.model_validate({{"figure": "half_response", "max": "50 ms"}})
print(limit.max_value, limit.unit)
"""
    done = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True)
    assert done.stdout.split() == [b"50.0", b"ms"]


@pytest.mark.parametrize("name", FIGURES)
def test_help_defines_every_figure(name: str) -> None:
    assert FIGURES[name].heading in helptexts.text("numbers").anchors
