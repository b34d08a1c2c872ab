# SPDX-License-Identifier: MIT
"""The forms of the bench page: what is wrong is told at once, and nothing typed is lost."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from rig.actions.conditions import conditions
from rig.core import places
from rig.core.errors import UsageError
from webui.app import create_app
from webui.live.files import Files
from webui.live.hub import IDLE, Hub

DEMO = Path(__file__).parents[2] / "demo"


@pytest.fixture
def hub(tmp_path: Path) -> Iterator[Hub]:
    made = Hub(places.state_dir(), Files([DEMO], [DEMO], tmp_path / "own"))
    yield made
    made.close()


@pytest.fixture
def client(hub: Hub) -> FlaskClient:
    """A browser that has the controls."""
    made = create_app({"HUB": hub, "TESTING": True}).test_client()
    made.post("/controls", data={"csrf": token(made)})
    return made


def token(client: FlaskClient) -> str:
    found = re.search(r'name="csrf" content="([^"]+)"', client.get("/bench").text)
    assert found is not None
    return found[1]


def keep(client: FlaskClient, name: str, strokes: int, **more: str) -> tuple[int, str]:
    """Send the workshop sheet's form with another number of strokes."""
    page = client.get("/bench/sheet/workshop").text
    fields = dict(re.findall(r'name="(f:[^"]+)" value="([^"]*)"', page))
    form = {"csrf": token(client), "setup": "workshop", "keep_as": name, **fields,
            "f:strokes": str(strokes), **more}  # fmt: skip
    answer = client.post("/bench/sheet/workshop", data=form)
    return answer.status_code, answer.text


def test_a_sheet_kept_before_is_asked_about_and_the_form_keeps_its_fields(
    client: FlaskClient, hub: Hub
) -> None:
    def strokes(name: str) -> int:
        return int(hub.files.pair("workshop", name)[1].sheet.strokes)  # type: ignore[union-attr]

    assert keep(client, "mine", 7)[0] == keep(client, "other", 8)[0] == 200
    status, page = keep(client, "mine", 9)
    assert status == 409 and strokes("mine") == 7
    assert 'name="f:strokes" value="9"' in page and 'name="keep_as" value="mine"' in page
    assert '<input type="checkbox" name="replace" value="mine">' in page
    # the tick is for this name: one that was changed afterwards is asked about anew
    assert keep(client, "other", 9, replace="mine")[0] == 409 and strokes("other") == 8
    assert keep(client, "mine", 9, replace="mine")[0] == 200 and strokes("mine") == 9


def test_a_sheet_sent_as_text_is_shown_again_as_text(client: FlaskClient) -> None:
    text = (DEMO / "workshop.sheet.toml").read_text()
    assert keep(client, "mine", 1, how="text", text=text)[0] == 200
    status, page = keep(client, "mine", 1, how="text", text=text + "# a remark\n")
    assert status == 409 and "# a remark" in page
    assert '<input type="checkbox" name="how" value="text" checked>' in page


def test_conditions_without_their_unit_are_told_before_the_rig_is_looked_at(
    client: FlaskClient, hub: Hub
) -> None:
    form = {"csrf": token(client), "setup": "workshop", "sheet": "workshop", "valve": "V-7",
            "oil_temperature": "90", "base_pressure": "30 psi", "idle_speed": "fast"}  # fmt: skip
    answer = client.post("/bench/look", data=form)
    assert answer.status_code == 400 and hub.phase == IDLE
    words = re.sub(r"\s+", " ", unescape(re.sub("<[^>]+>", "", answer.text)))
    for option, said in (("oil_temperature", "90"), ("idle_speed", "fast")):
        with pytest.raises(UsageError) as told:  # as on the command line
            conditions({option: said})
        label = option.replace("_", " ").capitalize()
        what, remedy = str(told.value).partition(": ")[2].split("; ")
        assert f"{label}: {what}. {remedy[0].upper()}{remedy[1:]}" in words
        assert f'name="{option}"' in answer.text and f"wrong-{option}" in answer.text
    assert "Base pressure:" not in words
    for name in ("valve", "oil_temperature", "base_pressure", "idle_speed"):
        assert f'name="{name}" value="{form[name]}"' in answer.text
    assert '<details class="wide" open><summary>Conditions' in answer.text


def test_the_files_faults_stand_beside_those_of_the_conditions(client: FlaskClient) -> None:
    form = {"csrf": token(client), "setup": "workshop", "sheet": "gone", "oil_temperature": "90"}
    answer = client.post("/bench/look", data=form)
    assert answer.status_code == 400
    page = unescape(answer.text)
    assert "has no unit" in page and 'There is no sheet "gone" here' in page


def test_the_command_line_names_every_wrong_condition() -> None:
    with pytest.raises(UsageError) as told:
        conditions({"oil_temperature": "90", "supply_voltage": "13.9 V", "idle_speed": "fast"})
    lines = str(told.value).splitlines()
    assert [line.partition(":")[0] for line in lines] == ["--oil-temperature", "--idle-speed"]
