# SPDX-License-Identifier: MIT
"""What one run's page is made of: the numbers of `rig show --json`, and all strokes laid over."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from html import unescape
from pathlib import Path

import numpy as np
import pytest
import written_runs
from click.testing import CliRunner
from flask.testing import FlaskClient
from setups import TIMING, toml

from rig.actions.analyse_run import recording_of, texts_of
from rig.cli.export import command as export
from rig.cli.show import command
from rig.core.rounding import fixed, pair, places
from rig.runlog.store import RunLog
from rig.text.behaviour import sentences
from webui.charts import overlay, timeline
from webui.run import run_parts, skim

Writer = Callable[..., int]


def shown(run: int) -> dict:
    return json.loads(CliRunner().invoke(command, [str(run), "--json"]).stdout)


def words(html: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


def test_numbers_of_the_page_are_those_of_rig_show(client: FlaskClient, written: Writer) -> None:
    run = written(strokes=12)
    result, page = shown(run), words(client.get(f"/runs/{run}").text)
    for key in ("response_ms", "release_ms"):
        figure = result["summary"][key]
        assert "{} ms, mean ± {} ms (95 %)".format(*pair(figure["mean"], figure["U"])) in page
        single = places(result["budget"][f"single_{key}"]["U"])
        for name in ("min", "median", "max"):
            assert f"{name}, ms {fixed(figure[name], single)}" in page
        assert f"sd, ms {fixed(figure['sd'], places(figure['sd']))}" in page
        budget = result["budget"][key]
        assert f"Together u = {fixed(budget['u'], places(budget['u']))} ms" in page
        for line in budget["lines"]:
            assert line["name"] in page
    for sentence in sentences(result):
        assert sentence in page
    charts = client.get(f"/api/runs/{run}/strokes").get_json()["charts"]
    assert charts["response_ms"]["ucl"] == result["charts"]["response_ms"]["ucl"]
    assert charts["response_ms"]["limits"] == [150.0]


OLDER_TIMING = "\n" + toml({"timing": TIMING | {"timed_from": "command", "date": "2026-10-02",
                                                "due": "2027-10-02"}})  # fmt: skip
"""Refused: it was measured from the command, and a read-back is wired."""


def test_a_run_whose_timing_is_refused_now_opens_with_a_remark(
    client: FlaskClient, written: Writer, tmp_path: Path
) -> None:
    plain = shown(written(strokes=6))
    run = written(strokes=6, more_setup=OLDER_TIMING)
    result, html = shown(run), client.get(f"/runs/{run}").text
    said = "Left out of the setup stored with this run: timing.timed_from."
    assert said in result["remark"]
    assert said in words(html)
    assert 'timed_from = "command"' in unescape(html)  # its text as it was recorded
    assert result["timing"]["state"] == "assumed, not measured"
    assert result["strokes"] == plain["strokes"]
    assert client.get(f"/runs/{run}/report").status_code == 200
    out = tmp_path / "run.csv"
    done = CliRunner().invoke(export, [str(run), "--to", "csv", str(out)])
    assert (done.exit_code, out.exists()) == (0, True), done.output
    # what a wrong wiring would change is never left out
    unreadable = written(strokes=6, more_setup='\n[coil]\nfeed_side = "both"\n', analysed=False)
    assert shown(unreadable)["remark"] == ""
    assert shown(unreadable)["verdict"]["result"] == "not_tested"


def test_without_a_read_back_the_interval_is_told_not_a_plus_minus(
    client: FlaskClient, written: Writer
) -> None:
    run = written(strokes=12, readback=False)
    figure = shown(run)["summary"]["response_ms"]
    page = words(client.get(f"/runs/{run}").text)
    if figure["interval95"][0] is None:
        pytest.fail("this run was to have an interval")
    middle = sum(figure["interval95"]) / 2
    assert figure["best"] == pytest.approx(middle, abs=1e-6)
    best, expanded = pair(figure["best"], figure["U"])
    told = f"best {best} ± {expanded} ms (95 %), "
    assert (told in page) == (abs(middle - figure["mean"]) >= 0.01 * figure["U"])


def test_a_column_that_is_empty_throughout_is_left_out(
    client: FlaskClient, written: Writer
) -> None:
    fast, slow = written(strokes=6, gauge_period_ms=5.0), written(strokes=6)
    assert "Pressure at switch-on" in client.get(f"/runs/{fast}").text
    page = client.get(f"/runs/{slow}").text
    assert "Pressure at switch-on" not in page
    assert "the gauge is too slow for it" in page


MADE = written_runs.Made(strokes=30, missed=(4,))


@pytest.mark.parametrize(("way", "settled"), [("on", 80.0), ("off", 55.0)])
def test_strokes_are_laid_on_the_coils_edge(
    client: FlaskClient, written: Writer, way: str, settled: float
) -> None:
    run = written(strokes=30, missed=(4,))
    found = client.get(f"/api/runs/{run}/overlay?way={way}").get_json()
    assert found["counts_from"] == "coil"
    assert found["strokes"] == 30
    assert 4 in found["odd"]
    rows = {row["number"]: row for row in found["switch"]["strokes"]}
    assert len(rows) == 30
    assert rows[4]["t_ms"] == []
    for number in (1, 17, 30):
        wanted = settled + MADE.spread(number) * (1.0 if way == "on" else 0.5)
        assert rows[number]["t_ms"][-1] == pytest.approx(wanted, abs=1e-5)
        assert rows[number]["opens"] == (0 if way == "on" else 1)
    share = found["switch"]["share"]
    ends = (0.0, 29 / 30) if way == "on" else (29 / 30, 0.0)
    assert (share[0], share[-1]) == pytest.approx(ends)


def test_without_a_read_back_they_are_laid_on_the_command(
    client: FlaskClient, written: Writer
) -> None:
    run = written(strokes=6, readback=False)
    found = client.get(f"/api/runs/{run}/overlay").get_json()
    assert found["counts_from"] == "command"
    row = found["switch"]["strokes"][2]
    assert row["t_ms"][-1] == pytest.approx(88.0 + MADE.spread(3), abs=1e-5)


def test_long_runs_keep_to_the_limit_and_name_what_stands_out(written: Writer, log_path) -> None:
    run = written(strokes=1_500, on_ms=200, rest_ms=200, gauge_period_ms=20, missed=(777,))
    with RunLog(log_path, readonly=True) as log:
        stored = log.load(run)
        recording = recording_of(stored, texts_of(stored)[0])
        summary = log.result(run)["summary"]
    found = overlay.overlay(recording, summary, "on", odd=[777])
    rows = found["switch"]["strokes"]
    assert sum(len(row["t_ms"]) + 2 for row in rows) <= timeline.MAX_POINTS
    assert 777 in {row["number"] for row in rows}
    for channel in found["channels"]:
        assert len(channel["t_ms"]) <= timeline.MAX_POINTS
        assert channel["readings"] > len(channel["t_ms"]) or channel["readings"] <= 5_000
    # the share is worked out of all strokes, drawn or not
    assert found["switch"]["share"][-1] == pytest.approx(1_499 / 1_500, abs=1e-6)


def test_the_skim_agrees_with_the_recording(written: Writer, log_path) -> None:
    runs = [
        written(strokes=7, trip=True, status="tripped", doubts=((4321.0, "gauge lost", "x"),)),
        written(strokes=2, readback=False, gauge_period_ms=None),
        written(strokes=3, status="running"),
    ]
    with RunLog(log_path, readonly=True) as log:
        for run in runs:
            stored = log.load(run)
            recording, seen = recording_of(stored, texts_of(stored)[0]), skim.skim(stored)
            assert seen.t0_ns == recording.t0_ns
            assert seen.strokes == int((recording.commands.on).sum())
            assert seen.conditions == recording.conditions
            assert seen.trips == recording.trips
            assert seen.readback == ("readback" in recording.edges)
            assert seen.last


def test_marks_on_every_stroke_are_said_once(client: FlaskClient, written: Writer) -> None:
    run = written(strokes=6)
    page = client.get(f"/runs/{run}").text
    every = set(shown(run)["strokes"][0]["marks"])
    for stroke in shown(run)["strokes"]:
        every &= set(stroke["marks"])
    assert every
    for mark in every:
        assert page.count(f"Every stroke: {mark}.") == 1


def test_only_strokes_have_histograms_and_limits() -> None:
    assert run_parts.spreads({"kind": "hold", "strokes": []}) == []
    assert run_parts.remarks(None) == []
    assert run_parts.odd_strokes(None) == []


def test_one_stroke_apart_moves_the_band_by_no_more_than_a_stroke() -> None:
    edges = np.linspace(0, 600, overlay.BINS + 1)
    since = np.tile(np.arange(5, 600, 10, dtype=np.int64), 21)
    place = np.repeat(np.arange(21), 60)
    value = np.where(place == 0, 0.0, 100.0 + place)
    low, middle, high = (
        list(column) for column in zip(*overlay._band(edges, since, value, place), strict=True)
    )
    values = [0.0, *(100.0 + n for n in range(1, 21))]
    for found, share in ((low, 5), (middle, 50), (high, 95)):
        assert found == pytest.approx([np.percentile(values, share)] * overlay.BINS)
