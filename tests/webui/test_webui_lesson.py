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
from setups import workshop_sheet
from written_runs import Made

from rig.analysis.measure.pressure_rise_fall import FALLS
from rig.cli.run import command
from rig.core import places
from webui import access
from webui.app import create_app
from webui.charts import chain_links
from webui.charts.strokes import StrokeTimes
from webui.lessons import kept
from webui.live.files import Files
from webui.live.hub import Hub
from webui.pages import lesson, model_run

Writer = Callable[..., int]
MADE = Made()
MIDDLE = ["coil", "plunger", "spool and passage", "pressure"]
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
    assert [took[name] for name in MIDDLE] == [None] * 4
    (together,) = found["together"]
    assert together["links"] == MIDDLE
    assert together["took_ms"] == pytest.approx(80.0 + MADE.spread(3) - 1.5)
    assert found["settled_ms"] == pytest.approx(88.0 + MADE.spread(3))


def test_without_a_read_back_the_relay_is_not_measured_either(
    client: FlaskClient, written: Writer
) -> None:
    found = asked(client, written(strokes=5, readback=False), stroke=2)
    assert not found["links"][0]["measured"]
    assert found["together"][0]["links"] == ["relay", *MIDDLE]
    assert found["counts_from"] == "command"


def test_a_missed_stroke_has_no_end(client: FlaskClient, written: Writer) -> None:
    found = asked(client, written(strokes=5, missed=(2,)), stroke=2)
    assert found["settled_ms"] is None
    (rest,) = found["together"]
    assert rest["links"] == [*MIDDLE, "switch"]
    assert rest["took_ms"] is None


NS = 1_000_000
TIMES = StrokeTimes(1, 0, 500 * NS, None, 6 * NS, 504 * NS)
CURRENT = {
    "plunger": "moved", "electrical_ms": 2.0, "electrical_ms_u95": 0.3, "seated_ms": 5.0,
    "seated_ms_u95": 0.4, "back_leaves_ms": None, "back_seated_ms": 3.0, "back_seated_ms_u95": 0.5,
}  # fmt: skip
PRESSURE = {"delay_first_ms": 13.0, "fall_delay_first_ms": 9.0, "u_delay_ms": 0.15, "note": ""}
FIGURES = {
    "first_edge_on_ms": 28.0, "response_ms": 30.0, "first_edge_off_ms": 20.0, "release_ms": 21.0,
    "current": CURRENT, "pressure": PRESSURE,
}  # fmt: skip


def chain(way: chain_links.Way, **changes: object) -> dict:
    found = chain_links.instants(TIMES, {**FIGURES, **changes}, way)
    assert found is not None
    return chain_links.links(found, way)


def test_current_and_pressure_bound_every_link() -> None:
    """By hand: 6 ms to the coil's edge; 2, 5, 13, 28 and 30 ms from there; U of a part is the root
    of the sum of squares of its ends' (JCGM 100:2008, 5.1.2, both ends independent)."""
    shape = chain("on")
    assert [link["took_ms"] for link in shape["links"]] == [6.0, 2.0, 3.0, 8.0, 15.0, 2.0]
    u95 = [link["u95_ms"] for link in shape["links"]]
    assert u95 == [None, 0.3, 0.5, 0.5, 0.3, None]  # 0.3, 0.4 and 0.3: two right triangles
    assert shape["together"] == []
    assert shape["dip"] == {"t_ms": 11.0, "u95_ms": 0.4}
    found = chain_links.instants(TIMES._replace(off_ns=None), FIGURES, "off")
    assert found is None


def test_while_the_pressure_is_flat_nothing_is_booked_as_pressure() -> None:
    links = {link["name"]: link for link in chain("on")["links"]}
    assert links["spool and passage"]["to_ms"] == links["pressure"]["from_ms"] == 19.0
    said = " ".join(link["happens"] for link in links.values())
    assert "builds up" not in said and "lets go" not in said


def test_parts_that_are_not_longer_than_they_are_uncertain_are_shown_together() -> None:
    current = {**CURRENT, "electrical_ms_u95": 1.9, "electrical_ms": 4.0}
    shape = chain("on", current=current)
    assert not shape["links"][1]["measured"] and not shape["links"][2]["measured"]
    (part,) = shape["together"]
    assert part["links"] == ["coil", "plunger"]
    assert part["took_ms"] == 5.0 and part["u95_ms"] == 0.4
    assert shape["dip"]["t_ms"] == 11.0, "that it moved is proven all the same"


def test_a_gauge_that_is_too_slow_leaves_spool_and_pressure_together() -> None:
    shape = chain("on", pressure={**PRESSURE, "delay_first_ms": None, "note": "gauge too slow"})
    (part,) = shape["together"]
    assert part["links"] == ["spool and passage", "pressure"] and part["took_ms"] == 23.0


def test_going_off_has_its_own_instants() -> None:
    shape = chain("off")
    took = {link["name"]: link["took_ms"] for link in shape["links"]}
    assert took["relay"] == 4.0 and took["pressure"] == 11.0 and took["switch"] == 1.0
    (part,) = shape["together"]
    assert part["links"] == ["coil", "plunger"] and part["took_ms"] == 3.0


@pytest.mark.parametrize("delay", [3.0, 29.0])
def test_a_pressure_that_moves_out_of_turn_bounds_nothing(delay: float) -> None:
    """Before the plunger has landed, or after the switch: it was something else."""
    shape = chain("on", pressure={**PRESSURE, "delay_first_ms": delay})
    assert [part["links"] for part in shape["together"]] == [["spool and passage", "pressure"]]


def test_a_pressure_that_falls_with_the_coil_is_not_the_one_at_the_switch() -> None:
    shape = chain("on", pressure={**PRESSURE, "note": FALLS})
    assert not shape["links"][4]["measured"]


@pytest.fixture
def simulated(rig_data: Path) -> int:
    """A run of the real simulated rig in virtual time."""
    sheet = rig_data / "few.sheet.toml"
    sheet.write_text(workshop_sheet(4))
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


@pytest.mark.parametrize("way", ["on", "off"])
def test_the_models_parts_are_where_its_own_instants_say(
    client: FlaskClient, simulated: int, way: str
) -> None:
    model = asked(client, simulated, stroke=3, way=way)["model"]
    ends = {link["name"]: link["to_ms"] for link in model["links"]}
    motion = model["motion"]
    start, end = (0.0, 1.0) if way == "on" else (1.0, 0.0)
    step = motion["t_ms"][1] - motion["t_ms"][0]

    def first(part: str, there: float) -> float:
        """When a part has arrived, ms."""
        return next(t for t, at in zip(motion["t_ms"], motion[part], strict=True) if at == there)

    assert motion["plunger"][0] == motion["relay"][0] == start
    assert first("relay", end) == pytest.approx(ends["relay"], abs=step)
    assert first("plunger", end) == pytest.approx(ends["coil and plunger"], abs=step)
    assert first("switch", end) >= ends["pressure"]
    assert motion["pressure_kpa"] == model["pressure_kpa"]["value"]
    assert all(0.0 <= at <= 1.0 for part in ("plunger", "spool") for at in motion[part])
    # the pressure moves only once the spool has passed the port's edge
    turned = ends["spool and passage"]
    spool = dict(zip(motion["t_ms"], motion["spool"], strict=True))[turned]
    assert (spool > model["opens_at"]) == (way == "on")


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


def test_another_run_for_the_same_class(client: FlaskClient, written: Writer) -> None:
    first, second = written(strokes=3), written(strokes=3)
    mine = shared(client, first)
    address = f"/api/lessons/{mine['code']}"
    head = {"X-CSRF": client.csrf}
    key = {**head, "X-Lesson-Key": mine["key"]}
    client.post(f"{address}?stroke=2&revealed=true", headers=key)
    along = f"/api/runs/{second}/lesson/share?going_on={mine['code']}"
    refused = client.post(along, headers=head)
    assert refused.status_code == 403 and "somebody else's lesson" in refused.text
    assert client.get(address).get_json()["run"] == first
    assert client.post(along, headers=key).get_json()["code"] == mine["code"]
    there = client.get(address).get_json()
    assert (there["run"], there["stroke"], there["revealed"]) == (second, 1, False)
    gone = f"/api/runs/{second}/lesson/share?going_on=nobody"
    assert client.post(gone, headers=key).status_code == 404


def test_only_a_few_lessons_are_kept(client: FlaskClient, written: Writer) -> None:
    run = written(strokes=2)
    for _ in range(kept.MOST):
        assert "code" in shared(client, run)
    assert "Too many" in shared(client, run)["error"]
    lessons = client.application.extensions["lessons"]
    for one in lessons._kept.values():
        one.since_s -= kept.IDLE_S + 1
    assert "code" in shared(client, run)
    assert len(lessons._kept) == 1


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


def test_who_may_only_look_is_told_the_way_to_share(log_path: Path, written: Writer) -> None:
    run = written(strokes=2)
    for passcode, told in (
        ("a hash", "under Take the controls"),
        (access.NO_PASSCODE, "`rig serve --set-passcode`"),
    ):
        looking = create_app({"RUN_LOG": log_path, "PASSCODE_HASH": passcode}).test_client()
        page = looking.get(f"/runs/{run}/lesson").text
        assert 'href="/controls">To show it to the class' in page
        assert re.search('id="share" hidden', page)
        answer = shared(looking, run)
        assert answer["error"] == "Read-only" and told in answer["remedy"]
        assert ("--set-passcode" in looking.get("/controls").text) is (
            passcode == access.NO_PASSCODE
        )
    operating = create_app({"RUN_LOG": log_path}).test_client()
    assert "To show it to the class" not in operating.get(f"/runs/{run}/lesson").text
