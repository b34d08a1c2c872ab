# SPDX-License-Identifier: MIT
"""Real answers of the JSON interface against the models of its OpenAPI document."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from described import is_described
from flask.testing import FlaskClient
from pydantic import BaseModel, ValidationError

from rig.core import places
from rig.core.results.comparison import Comparison
from rig.runlog.store import RunLog
from webui.api import models, models_compare, models_lesson, models_live, registers
from webui.app import create_app
from webui.live.files import Files
from webui.live.hub import Hub

DEMO = Path(__file__).parents[2] / "demo"
RUNS = [
    ("", models.RunAnswer),
    ("/strokes", models.StrokesAnswer),
    ("/traces", models.TracesAnswer),
    ("/traces?stroke=1", models.TracesAnswer),
    ("/overlay?way=on", models.OverlayAnswer),
    ("/overlay?way=off", models.OverlayAnswer),
]
WRITTEN: list[dict[str, Any]] = [
    {"strokes": 40, "missed": (4, 9)},
    {"strokes": 3, "source": "board", "status": "tripped", "trip": True, "readback": False,
     "doubts": ((1234.0, "gauge frame rejected", "garbage"),)},
    {"strokes": 3, "gauge_period_ms": None, "valve": None, "job": None, "by": None},
]  # fmt: skip


@pytest.fixture
def bench(log_path: Path, tmp_path: Path) -> FlaskClient:
    """The page with a bench, so that every address is there."""
    hub = Hub(places.state_dir(), Files([DEMO], [DEMO], tmp_path / "own"))
    hub.publish()
    return create_app({"RUN_LOG": log_path, "HUB": hub}).test_client()


def simulate(*words: str) -> None:
    """One run of the simulated rig, in virtual time, into this test's log."""
    from rig.cli.run import command

    done = CliRunner().invoke(
        command, [*words, "--fast", "--json", "--valve", "V-1", "--seed", "3"]
    )
    assert done.exit_code in (0, 1, 5), done.output


def test_runs_of_the_simulated_rig(bench: FlaskClient) -> None:
    simulate(str(DEMO / "workshop.setup.toml"), str(DEMO / "workshop.sheet.toml"))
    simulate(str(DEMO / "workshop.setup.toml"), str(DEMO / "workshop.sheet.toml"))
    for part, model in RUNS:
        is_described(model, bench.get(f"/api/runs/1{part}").json)
    for way in ("on", "off"):
        lesson = bench.get(f"/api/runs/1/lesson?stroke=2&way={way}").json
        is_described(models_lesson.LessonAnswer, lesson)
        assert lesson is not None and lesson["model"]["refused"] == ""
    is_described(Comparison, bench.get("/api/compare?run=1&run=2").json)


def test_a_leak_down_and_its_ramp_have_no_strokes(bench: FlaskClient) -> None:
    sheets = [one for one in sorted(DEMO.glob("*.sheet.toml")) if "strokes" not in _kind(one)]
    assert sheets
    for number, sheet in enumerate(sheets, 1):
        setup = sheet.with_name(sheet.name.replace(".sheet.", ".setup."))
        simulate(str(setup if setup.exists() else DEMO / "workshop.setup.toml"), str(sheet))
        for part, model in RUNS[:3]:
            is_described(model, bench.get(f"/api/runs/{number}{part}").json)


def _kind(sheet: Path) -> str:
    found = re.search(r'^kind = "(\w+)"', sheet.read_text(), re.M)
    return found[1] if found else ""


@pytest.mark.parametrize("made", WRITTEN, ids=["missed", "tripped", "bare"])
def test_runs_of_every_kind(
    bench: FlaskClient, written: Callable[..., int], made: dict[str, Any]
) -> None:
    written(**made)
    for part, model in RUNS:
        is_described(model, bench.get(f"/api/runs/1{part}").json)
    is_described(models_lesson.LessonAnswer, bench.get("/api/runs/1/lesson?stroke=2").json)


@pytest.mark.parametrize(
    "path", [("trend",), ("verdict", "reason"), ("summary", "response_ms", "U")]
)
def test_a_result_that_lacks_a_key_of_today_is_worked_out_again(
    bench: FlaskClient, written: Callable[..., int], log_path: Path, path: tuple[str, ...]
) -> None:
    run = written(strokes=3)
    assert bench.get(f"/api/runs/{run}").json["result_saved"]
    with RunLog(log_path) as log:
        older: Any = log.result(run)
        inner = older
        for key in path[:-1]:
            inner = inner[key]
        del inner[path[-1]]
        log.save_result(run, older, log.load(run).header.software)
    answer = bench.get(f"/api/runs/{run}").json
    assert not answer["result_saved"]
    is_described(models.RunAnswer, answer)


def test_several_runs(bench: FlaskClient, written: Callable[..., int]) -> None:
    for n in range(3):
        written(strokes=8, response_ms=60 + 5 * n)
    for asked in ("run=1&run=2", "run=1&run=2&run=3"):
        is_described(Comparison, bench.get(f"/api/compare?{asked}").json)
    laid = bench.get("/api/compare/overlay?run=1&run=2").json
    is_described(models_compare.CompareOverlayAnswer, laid)


def test_a_shared_lesson(bench: FlaskClient, written: Callable[..., int]) -> None:
    written(strokes=3)
    csrf = re.search(r'name="csrf" content="([^"]+)"', bench.get("/help/").text)
    assert csrf is not None
    token = {"X-CSRF": csrf[1]}
    shared = bench.post("/api/runs/1/lesson/share", headers=token).json
    is_described(models_lesson.ShareAnswer, shared)
    assert shared is not None
    address, key = f"/api/lessons/{shared['code']}", {**token, "X-Lesson-Key": shared["key"]}
    is_described(models_lesson.PositionAnswer, bench.get(address).json)
    is_described(models_lesson.MovedAnswer, bench.post(f"{address}?stroke=2", headers=key).json)
    is_described(models_lesson.EndedAnswer, bench.delete(address, headers=key).json)


def test_valves_and_jobs(bench: FlaskClient, written: Callable[..., int]) -> None:
    for n in range(3):
        written(strokes=2, valve=f"V-{n % 2}", job="J-7")
    first = bench.get("/api/valves?limit=1").json
    is_described(registers.EntriesAnswer, first)
    assert first is not None and [one["name"] for one in first["entries"]] == ["V-0"]
    second = bench.get(f"/api/valves?after={first['next_after']}").json
    assert second is not None and [one["name"] for one in second["entries"]] == ["V-1"]
    assert second["next_after"] is None
    valve = bench.get(f"/api/valves/{first['entries'][0]['id']}").json
    is_described(registers.EntryAnswer, valve)
    assert valve is not None and [run["id"] for run in valve["history"]] == [1, 3]
    jobs = bench.get("/api/jobs?find=J-").json
    is_described(registers.EntriesAnswer, jobs)
    assert jobs is not None
    job = bench.get(f"/api/jobs/{jobs['entries'][0]['id']}").json
    is_described(registers.EntryAnswer, job)
    assert job is not None and job["runs"] == len(job["history"]) == 3
    assert bench.get("/api/valves/99").status_code == 404
    assert bench.get("/api/jobs?limit=0").status_code == 400


def test_a_bench_at_rest(bench: FlaskClient) -> None:
    is_described(models_live.LiveAnswer, bench.get("/api/live").json)


def test_every_answer_has_a_model_in_the_document(bench: FlaskClient) -> None:
    document = bench.get("/api/openapi.json").json
    assert document is not None
    for address, path in document["paths"].items():
        for operation in path.values():
            ((media, found),) = operation["responses"]["200"]["content"].items()
            if media == "application/json" and address != "/api/openapi.json":
                name = found["schema"]["$ref"].rpartition("/")[2]
                assert document["components"]["schemas"][name]["properties"], address
    refs = set(re.findall(r'"#/components/schemas/(\w+)"', bench.get("/api/openapi.json").text))
    assert refs <= set(document["components"]["schemas"])


def test_a_key_that_no_model_names_is_found() -> None:
    class One(BaseModel):
        n: int

    is_described(One, {"n": 1})
    for wrong in ({"n": 1, "m": 2}, {"n": "1"}):
        with pytest.raises(AssertionError):
            is_described(One, wrong)
    with pytest.raises(ValidationError):
        is_described(One, {})
