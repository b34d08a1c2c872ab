# SPDX-License-Identifier: MIT
"""The JSON for plots and other programs."""

from __future__ import annotations

import json
import math
from collections.abc import Callable

import pytest
import written_runs
from flask.testing import FlaskClient

from webui.app import finite

Writer = Callable[..., int]


def strict(text: str) -> object:
    """JSON as RFC 8259 has it: Python's own reader would take NaN."""

    def refuse(word: str) -> object:
        raise AssertionError(f"{word} is no JSON")

    return json.loads(text, parse_constant=refuse)


def test_runs_in_pages(client: FlaskClient, written: Writer) -> None:
    for n in range(5):
        written(strokes=n + 1, missed=(1,) if n == 3 else ())
    first = client.get("/api/runs?limit=2").json
    assert [row["run"] for row in first["runs"]] == [5, 4]
    second = client.get(f"/api/runs?limit=3&before={first['next_before']}").json
    assert [row["run"] for row in second["runs"]] == [3, 2, 1]
    assert second["next_before"] is None
    assert first["runs"][0]["source"] == "simulated"
    assert first["runs"][0]["verdict"] == "conforms"
    assert first["runs"][0]["strokes"] == 5
    assert client.get("/api/runs?valve=nobody").json["runs"] == []


def test_one_run_has_header_and_result(client: FlaskClient, written: Writer) -> None:
    written(strokes=4)
    run = strict(client.get("/api/runs/1").text)
    assert isinstance(run, dict)
    assert (run["run"], run["source"], run["off"]) == (1, "simulated", "confirmed off")
    assert run["clock_synchronised"] is False
    assert [stroke["number"] for stroke in run["result"]["strokes"]] == [1, 2, 3, 4]
    assert run["conditions"]["oil_temperature"] == {"value": 92.0, "unit": "degC", "how": "typed"}


def test_traces_of_the_whole_run_are_as_written(client: FlaskClient, written: Writer) -> None:
    written(strokes=3, missed=(2,))
    made = written_runs.Made(strokes=3, missed=(2,))
    got = client.get("/api/runs/1/traces").json
    assert (got["from_ms"], got["to_ms"], got["end_ms"]) == (0.0, made.end_ms, made.end_ms)
    lanes = {lane["name"]: lane for lane in got["lanes"]}
    assert list(lanes) == ["command", "readback", "switch"]
    on = [t for t, level in zip(lanes["command"]["t_ms"], lanes["command"]["level"], strict=True)]
    assert on == [0, 1000, 1500, 2000, 2500, 3000, 3500, made.end_ms]
    assert lanes["readback"]["t_ms"][1] == 1008.0
    closing = 1008.0 + made.response_ms + made.spread(1)
    assert lanes["switch"]["t_ms"][1:4] == pytest.approx(
        [closing - 1.5, closing - 0.9, closing], abs=1e-6
    )
    assert lanes["switch"]["edges"] == 8  # four a stroke, none in the missed one
    pressure = got["channels"][0]
    assert pressure["samples"] == len(pressure["t_ms"]) == int(made.end_ms / 100)
    assert pressure["value"][0] == written_runs.pressure(made, 3.25)
    assert got["first_stroke"] == 1


def test_traces_of_a_window_and_of_a_stroke(client: FlaskClient, written: Writer) -> None:
    written(strokes=6)
    window = client.get("/api/runs/1/traces?from_ms=2900&to_ms=3100").json
    assert (window["from_ms"], window["to_ms"]) == (2900.0, 3100.0)
    assert window["lanes"][0]["t_ms"] == [2900.0, 3000.0, 3100.0]
    assert window["lanes"][0]["level"] == [0, 1, 1]
    assert window["stroke"] is None
    assert window["first_stroke"] == 3
    shown = client.get("/api/runs/1/traces?stroke=3").json
    assert shown["stroke"]["on_ms"] == 3000.0
    assert shown["stroke"]["response_from_ms"] == 3008.0
    made = written_runs.Made()
    assert shown["stroke"]["response_ms"] == pytest.approx(80 + made.spread(3), abs=1e-6)
    assert shown["from_ms"] < 3000.0 < shown["to_ms"] < 4000.0


def test_a_long_run_is_thinned_to_5000_points_a_trace(client: FlaskClient, written: Writer) -> None:
    # 2,000 strokes: 8,000 switch edges and 20,000 readings at 100 Hz
    written(strokes=2_000, on_ms=50, rest_ms=50, response_ms=20, release_ms=10, gauge_period_ms=10)
    got = client.get("/api/runs/1/traces")
    assert len(got.data) < 600_000
    for trace in [*got.json["lanes"], *got.json["channels"]]:
        assert len(trace["t_ms"]) <= 5_000
    switch = got.json["lanes"][2]
    assert (switch["edges"], switch["decimated"]) == (8_000, True)
    assert got.json["channels"][0]["decimated"] is True
    close = client.get("/api/runs/1/traces?from_ms=50000&to_ms=60000").json
    assert not any(t["decimated"] for t in [*close["lanes"], *close["channels"]])
    per_stroke = client.get("/api/runs/1/strokes").json
    assert len(per_stroke["number"]) == per_stroke["strokes"] == 2_000


def test_per_stroke_figures_are_thinned_without_losing_the_worst(
    client: FlaskClient, written: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("webui.charts.timeline.MAX_POINTS", 60)
    written(strokes=400, on_ms=50, rest_ms=50, response_ms=20, release_ms=10, missed=(123,))
    all_of_them = client.get("/api/runs/1").json["result"]["strokes"]
    got = client.get("/api/runs/1/strokes").json
    assert got["strokes"] == 400
    assert len(got["number"]) <= 60
    for name in ("response_ms", "release_ms"):
        values = [s[name] for s in all_of_them if s[name] is not None]
        shown = [v for v in got[name] if v is not None]
        assert (min(shown), max(shown)) == (min(values), max(values))
    assert 123 in got["number"]


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ("from_ms=nan", 400), ("from_ms=inf", 400), ("from_ms=-1", 400), ("to_ms=x", 400),
        ("from_ms=500&to_ms=500", 400), ("from_ms=99999999", 400), ("stroke=0", 400),
        ("stroke=4", 404), ("points=10", 400), ("from_ms=0&to_ms=1e12", 200),
    ],
)  # fmt: skip
def test_windows_that_make_no_sense_are_refused(
    client: FlaskClient, written: Writer, query: str, status: int
) -> None:
    written(strokes=3)
    answer = client.get("/api/runs/1/traces?" + query)
    assert answer.status_code == status
    if status != 200:
        assert set(answer.json) == {"id", "error", "what", "remedy"}


@pytest.mark.parametrize("part", ["", "/traces", "/strokes"])
def test_unknown_runs_are_404_in_json(client: FlaskClient, written: Writer, part: str) -> None:
    written(strokes=1)
    answer = client.get(f"/api/runs/77{part}")
    assert answer.status_code == 404
    assert answer.json["what"].endswith("has no run of this number.")


def test_nan_and_infinity_leave_as_null() -> None:
    value = {"a": [1.0, float("nan")], "b": (float("inf"), "text"), "c": {"d": -float("inf")}}
    assert finite(value) == {"a": [1.0, None], "b": [None, "text"], "c": {"d": None}}


def test_a_result_with_nan_from_elsewhere_still_leaves_as_json(
    client: FlaskClient, written: Writer, log_path: object
) -> None:
    import contextlib
    import sqlite3

    written(strokes=1)
    with contextlib.closing(sqlite3.connect(str(log_path))) as log, log:
        ((text,),) = log.execute("SELECT json FROM results")
        result = json.loads(text)
        result["summary"]["response_ms"]["mean"] = math.nan
        log.execute("UPDATE results SET json = ?", (json.dumps(result),))
    run = strict(client.get("/api/runs/1").text)
    assert isinstance(run, dict)
    assert run["result"]["summary"]["response_ms"]["mean"] is None


def test_a_finished_recording_is_decoded_once(
    client: FlaskClient, written: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    from webui import log

    decoded = []
    real = log.decode
    monkeypatch.setattr(log, "decode", lambda run: decoded.append(run.id) or real(run))
    for _ in range(log.KEPT + 1):
        written(strokes=1)
    for run in (1, 1, 1, 2, 3, 4, 1, 5, 2):
        assert client.get(f"/api/runs/{run}/traces").status_code == 200
    # 5 pushed out the one that was asked for longest ago, which was 2
    assert decoded == [1, 2, 3, 4, 5, 2]
