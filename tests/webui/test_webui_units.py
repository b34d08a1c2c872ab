# SPDX-License-Identifier: MIT
"""The reader's units on the page: each browser's own choice; what programs read stays SI."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from rig.cli.main import answer
from rig.core import places
from rig.core.quantities import parse
from rig.runlog.store import RunLog
from webui import reader_units
from webui.app import create_app
from webui.live.files import Files
from webui.live.hub import Hub

ROOT = Path(__file__).parents[2]
WORKSHOP = ROOT / "demo/workshop.setup.toml"
Writer = Callable[..., int]

TYPED = {
    "base_pressure": {"value": parse("44 psi", "pressure"), "unit": "kPa", "how": "typed"},
    "oil_temperature": {"value": parse("194 degF", "temperature"), "unit": "degC", "how": "typed"},
}


def choose(client: FlaskClient, pressure: str, temperature: str, back: str = "/units") -> str:
    """Choose as the form does, and return where it leads."""
    csrf = re.search(r'name="csrf" content="([^"]+)"', client.get("/units").text)
    assert csrf is not None
    form = {"csrf": csrf[1], "pressure": pressure, "temperature": temperature, "back": back}
    found = client.post("/units", data=form)
    assert found.status_code == 303, found.text
    return found.location


def said(page: str) -> str:
    """The words of a page, without texts that stand as they were typed and what scripts read."""
    page = re.sub(r"<(script|pre|code|style)\b.*?</\1>", " ", page, flags=re.S)
    return re.sub(r"<[^>]*>", " ", page)


def test_a_run_in_psi_and_its_json_as_it_was(client: FlaskClient, written: Writer) -> None:
    number = written(trip=True, source="board", status="tripped", conditions=TYPED)
    run, json = f"/runs/{number}", f"/api/runs/{number}"
    before, usual = client.get(json).data, client.get(run).text
    assert "kPa" in said(usual)
    assert "44 psi, typed" in usual  # as typed, whatever the reader's unit
    choose(client, "psi", "degF")
    page = client.get(run).text
    assert not re.findall(r".{30}(?:kPa|degC).{30}", said(page))
    assert "44 psi, typed" in page and "194 degF, typed" in page
    assert client.get(json).data == before
    report = re.sub(r"<b>Wired and set:</b>[^<]*", "", client.get(f"{run}/report").text)  # as typed
    assert not re.findall(r".{30}(?:kPa|degC).{30}", said(report))
    assert "base pressure 44 psi (typed)" in report


def test_a_trips_value_and_limit_stay_apart(client: FlaskClient, written: Writer) -> None:
    number = written(trip=True, source="board", status="tripped")
    choose(client, "bar", "degC")
    page = said(client.get(f"/runs/{number}").text)
    assert "Pressure 7.125 bar over the limit of 7 bar" in page


def test_each_browser_of_a_class_has_its_own_choice(log_path: Path, written: Writer) -> None:
    number = written(conditions=TYPED)
    app = create_app({"RUN_LOG": log_path})
    browsers = [app.test_client() for _ in range(3)]
    for browser, pressure in zip(browsers, ("psi", "bar"), strict=False):
        assert choose(browser, pressure, "degC", f"/runs/{number}") == f"/runs/{number}"
    shown = [re.search(r"pressures in (\w+)", one.get(f"/runs/{number}").text) for one in browsers]
    assert [one and one[1] for one in shown] == ["psi", "bar", "kPa"]


def test_a_ramp_and_a_hold(client: FlaskClient, log_path: Path) -> None:
    golden = ROOT / "tests/golden"
    for setup, sheet in (("workshop", golden / "ramp.sheet.toml"),
                         ("leak-down", golden / "hold.sheet.toml")):  # fmt: skip
        answer(["run", str(ROOT / f"demo/{setup}.setup.toml"), str(sheet), "--fast", "--seed",
                "41", "--wait", "--json"])  # fmt: skip
    with RunLog.reading(log_path) as log:
        ramp, hold = sorted(row.id for row in log.runs(limit=2))
    choose(client, "psi", "degF")
    for number in (ramp, hold):
        for address in (f"/runs/{number}", f"/runs/{number}/report"):
            page = client.get(address).text
            assert "psi" in page
            assert not re.findall(r".{30}(?:kPa|degC).{30}", said(page))


@pytest.mark.parametrize("cookie", ["", "atm", "psi,bar", '"', "psi;degF"])
def test_a_damaged_cookie_is_no_choice(client: FlaskClient, cookie: str) -> None:
    client.set_cookie("units", cookie)
    assert "Units: kPa, degC" in client.get("/units").text


def test_without_a_choice_the_setup_says(log_path: Path, tmp_path: Path) -> None:
    setup = tmp_path / "shop.setup.toml"
    setup.write_text(WORKSHOP.read_text() + '\n[units]\npressure = "psi"\n')
    hub = Hub(places.state_dir(), Files([setup], [], tmp_path / "own"))
    try:
        client = create_app({"HUB": hub, "RUN_LOG": log_path}).test_client()
        assert "Units: psi, degC" in client.get("/units").text
        choose(client, "bar", "degF")
        assert "Units: bar, degF" in client.get("/bench").text
    finally:
        hub.close()


@pytest.mark.parametrize("back", ["https://elsewhere.example/", "//elsewhere.example", "/\\x", ""])
def test_the_form_leads_back_to_our_pages_only(client: FlaskClient, back: str) -> None:
    assert choose(client, "psi", "degC", back) == "/"


def test_what_is_no_unit_is_refused(client: FlaskClient) -> None:
    with pytest.raises(AssertionError, match="No such unit"):
        choose(client, "atm", "degC")


@pytest.mark.parametrize(
    ("came_from", "back"),
    [
        ("http://localhost/runs?valve=V-1", "/runs?valve=V-1"),
        ("https://elsewhere.example/runs", "/"),
        ("http://localhost//elsewhere.example", "/"),
        (None, "/"),
    ],
)
def test_the_form_knows_where_it_was_opened(
    client: FlaskClient, came_from: str | None, back: str
) -> None:
    headers = {"Referer": came_from} if came_from else {}
    page = client.get("/units", headers=headers).text
    assert f'name="back" value="{back}"' in page


@pytest.mark.parametrize("address", ["/stop", "/static/css/bench.css", "/api/runs"])
def test_what_shows_no_quantity_does_not_wait_for_a_setups_medium(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch, address: str
) -> None:
    looked: list[str] = []
    monkeypatch.setattr(reader_units, "_of_setups", lambda: looked.append(address))
    client.open(address, method="POST" if address == "/stop" else "GET").close()
    assert not looked
    client.get("/units")
    assert looked
