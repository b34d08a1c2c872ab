# SPDX-License-Identifier: MIT
"""The lesson: links with what each took, the model beside them, and a class that follows."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from flask.testing import FlaskClient
from written_runs import Made

from rig.cli.run import command
from rig.core import places
from webui.app import create_app
from webui.charts import chain_links
from webui.charts.strokes import StrokeTimes
from webui.live.files import Files
from webui.live.hub import Hub
from webui.pages import lesson, model_run

Writer = Callable[..., int]
MADE = Made()
DEMO = Path(__file__).parents[2] / "demo"


def asked(client: FlaskClient, run: int, **query: object) -> dict:
    return client.get(f"/api/runs/{run}/lesson", query_string=query).get_json()


def test_without_a_current_the_links_between_are_not_measured(
    client: FlaskClient, written: Writer
) -> None:
    found = asked(client, written(strokes=5), stroke=3)
    took = {link["name"]: link["took_ms"] for link in found["links"]}
    assert took["relay"] == pytest.approx(8.0)
    assert took["switch"] == pytest.approx(1.5)  # the bounce that was written
    assert [took[name] for name in ("coil", "plunger", "oil")] == [None] * 3
    (together,) = found["together"]
    assert together["links"] == ["coil", "plunger", "oil"]
    assert together["took_ms"] == pytest.approx(80.0 + MADE.spread(3) - 1.5)
    assert found["settled_ms"] == pytest.approx(88.0 + MADE.spread(3))


def test_without_a_read_back_the_relay_is_not_measured_either(
    client: FlaskClient, written: Writer
) -> None:
    found = asked(client, written(strokes=5, readback=False), stroke=2)
    assert not found["links"][0]["measured"]
    assert found["together"][0]["links"] == ["relay", "coil", "plunger", "oil"]
    assert found["counts_from"] == "command"


def test_a_missed_stroke_has_no_end(client: FlaskClient, written: Writer) -> None:
    found = asked(client, written(strokes=5, missed=(2,)), stroke=2)
    assert found["settled_ms"] is None
    (rest,) = found["together"]
    assert rest["links"] == ["coil", "plunger", "oil", "switch"]
    assert rest["took_ms"] is None


def test_a_current_gives_coil_and_plunger() -> None:
    ns = 1_000_000
    times = StrokeTimes(1, 0, 500 * ns, None, 6 * ns, 504 * ns)
    current = {
        "electrical_ms": 2.0, "electrical_ms_u95": 0.3, "mechanical_ms": 3.0,
        "mechanical_ms_u95": 0.4, "seated_ms": 5.0, "hydraulic_ms": 25.0, "hydraulic_ms_u95": 0.5,
    }  # fmt: skip
    figures = {"first_edge_on_ms": 28.0, "response_ms": 30.0, "current": current}
    found = chain_links.instants(times, figures, "on")
    assert found is not None
    shape = chain_links.links(found, "on")
    assert [link["took_ms"] for link in shape["links"]] == [6.0, 2.0, 3.0, 23.0, 2.0]
    assert [link["u95_ms"] for link in shape["links"]] == [None, 0.3, 0.4, 0.5, None]
    assert shape["together"] == []
    assert chain_links.instants(times._replace(off_ns=None), figures, "off") is None


@pytest.fixture
def simulated(rig_data: Path) -> int:
    """A run of the real simulated rig in virtual time."""
    sheet = rig_data / "few.sheet.toml"
    text = (DEMO / "workshop.sheet.toml").read_text().replace("strokes = 20", "strokes = 4")
    sheet.write_text(text)
    args = [str(DEMO / "workshop.setup.toml"), str(sheet), "--fast", "--json"]
    answer = CliRunner().invoke(command, args)
    assert answer.exit_code in (0, 1, 5), answer.output
    return int(json.loads(answer.stdout)["run"])


@pytest.mark.parametrize("way", ["on", "off"])
def test_the_model_is_the_plant_run_again(client: FlaskClient, simulated: int, way: str) -> None:
    found = asked(client, simulated, stroke=3, way=way)
    model = found["model"]
    assert model["refused"] == ""
    assert model["apart_ms"] == 0.0  # virtual time: the same edges to the nanosecond
    took = {link["name"]: link["took_ms"] for link in model["links"]}
    # the relay's contact is what the read-back sees, so the two must agree
    assert took["relay"] == pytest.approx(found["links"][0]["took_ms"], abs=1e-6)
    assert sum(took.values()) == pytest.approx(found["settled_ms"], abs=1e-6)
    pressure = model["pressure_kpa"]["value"]
    assert (pressure[-1] > pressure[0]) == (way == "on")


def test_only_a_simulated_run_has_a_model_and_only_where_it_can_be_run_again(
    client: FlaskClient, written: Writer
) -> None:
    assert asked(client, written(strokes=2, source="board"))["model"] is None
    refused = asked(client, written(strokes=2))["model"]["refused"]
    assert "does not say when its plant was started" in refused


def test_a_model_that_gives_other_edges_is_refused(
    client: FlaskClient, written: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    # a written run's edges are invented: no plant gives them
    monkeypatch.setattr(model_run, "_start_ns", lambda _stored: 5_000_000_000)
    refused = asked(client, written(strokes=2))["model"]["refused"]
    assert "did not give the edges" in refused


def test_analysis_does_not_know_the_model() -> None:
    sources = (Path(lesson.__file__).parents[1] / "rig" / "analysis").glob("*.py")
    assert not [path.name for path in sources if "simulated.plant" in path.read_text()]


def shared(client: FlaskClient, run: int) -> dict:
    page = client.get(f"/runs/{run}/lesson").text
    csrf = page.split('data-csrf="')[1].split('"')[0]
    client.csrf = csrf
    return client.post(f"/api/runs/{run}/lesson/share", headers={"X-CSRF": csrf}).get_json()


def test_the_class_follows_and_cannot_move(client: FlaskClient, written: Writer) -> None:
    run = written(strokes=5)
    mine = shared(client, run)
    address = f"/api/lessons/{mine['code']}"
    there = client.get(address).get_json()
    assert (there["run"], there["stroke"], there["revealed"]) == (run, 1, False)
    query = {"stroke": 4, "way": "off", "at_ms": 12.5, "slower": 500, "revealed": "true"}
    head = {"X-CSRF": client.csrf}
    assert client.post(address, query_string=query, headers=head).status_code == 403
    head["X-Lesson-Key"] = mine["key"]
    assert client.post(address, query_string=query, headers=head).status_code == 200
    there = client.get(address).get_json()
    assert (there["stroke"], there["way"], there["at_ms"]) == (4, "off", 12.5)
    assert there["revealed"] is True
    page = client.get(f"/follow/{mine['code']}")
    assert page.status_code == 200
    assert mine["key"] not in page.text
    assert 'data-stroke="4"' in page.text
    bad = client.post(address, query_string={"at_ms": "nan"}, headers=head)
    assert bad.status_code == 400
    assert client.delete(address, headers=head).status_code == 200
    assert client.get(address).status_code == 404
    assert "over" in client.get(f"/follow/{mine['code']}").text


def test_only_a_few_lessons_are_kept(client: FlaskClient, written: Writer) -> None:
    run = written(strokes=2)
    for _ in range(lesson.MOST):
        assert "code" in shared(client, run)
    assert "Too many" in shared(client, run)["error"]
    kept = client.application.extensions["lessons"]
    for one in kept._kept.values():
        one.since_s -= lesson.IDLE_S + 1
    assert "code" in shared(client, run)
    assert len(kept._kept) == 1


def test_the_qr_code_holds_an_address_that_phones_reach(
    client: FlaskClient, written: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = written(strokes=2)
    assert shared(client, run)["address"] is None  # the loopback: a phone could not go there
    client.application.config["TRUSTED_HOSTS"].append("192.0.2.7")  # RFC 5737
    monkeypatch.setattr("webui.serving.own_addresses", lambda: ["127.0.0.1", "192.0.2.7"])
    page = client.get(f"/runs/{run}/lesson", base_url="http://127.0.0.1:8642").text
    csrf = page.split('data-csrf="')[1].split('"')[0]
    mine = client.post(
        f"/api/runs/{run}/lesson/share", base_url="http://127.0.0.1:8642", headers={"X-CSRF": csrf}
    ).get_json()
    assert mine["address"] == f"http://192.0.2.7:8642/follow/{mine['code']}"
    picture = client.get(mine["picture"], base_url="http://127.0.0.1:8642")
    assert picture.mimetype == "image/svg+xml"
    assert b"<svg" in picture.data


def test_a_run_without_strokes_has_no_lesson(client: FlaskClient, written: Writer) -> None:
    assert client.get(f"/runs/{written(strokes=0)}/lesson").status_code == 404
    assert client.get("/runs/4711/lesson").status_code == 404


@pytest.fixture
def operating(log_path: Path) -> FlaskClient:
    hub = Hub(places.state_dir(), Files([], [], log_path.parent))
    return create_app({"RUN_LOG": log_path, "HUB": hub}).test_client()


def test_who_only_follows_has_no_stop_and_no_way_elsewhere(
    operating: FlaskClient, written: Writer
) -> None:
    run = written(strokes=2)
    assert "Stop: coil off" in operating.get(f"/runs/{run}/lesson").text
    code = shared(operating, run)["code"]
    for address in (f"/follow/{code}", "/follow/over"):
        page = operating.get(address).text
        assert "Stop: coil off" not in page and "stop.js" not in page, address
        assert "<nav" not in page and 'href="/' not in page.split("<body")[1], address


def test_the_operator_may_allow_the_class_both(operating: FlaskClient, written: Writer) -> None:
    run = written(strokes=2)
    page = operating.get(f"/runs/{run}/lesson").text
    csrf = re.findall(r'name="csrf" content="([^"]+)"', page)[0]
    answer = operating.post(
        f"/api/runs/{run}/lesson/share?whole_page=true", headers={"X-CSRF": csrf}
    ).get_json()
    page = operating.get(f"/follow/{answer['code']}").text
    assert "Stop: coil off" in page and "<nav" in page
