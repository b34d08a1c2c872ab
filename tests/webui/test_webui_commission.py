# SPDX-License-Identifier: MIT
"""The page of commissioning records, and what a run's page says of its rig."""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable

from flask.testing import FlaskClient

from rig.actions.commission import record
from rig.actions.commission.record import Measured, Record, StepResult


def kept(*, result: str = "passed", utc_s: float = 1000.0) -> Record:
    step = StepResult(
        id="relay", title="Relay", how="Edges.", limit="10 ms", result=result, words="<b>50</b>",
        measured=(Measured(name="delay", value=6.25, unit="ms", most=10.0),),
        remedy="" if result == "passed" else "Replace it.", runs=(),
    )  # fmt: skip
    made = Record(
        rig="simulated-line17", setup_name="a.setup.toml", setup_hash="b", wired_hash="c",
        source="simulated", utc_s=utc_s, date=datetime.date(2026, 3, 1),
        due=datetime.date(2027, 3, 1), by="A. Person", software="d", steps=(step,),
        finished=True,
    )  # fmt: skip
    record.save(made)
    return made


def test_without_a_record_the_page_says_so(client: FlaskClient) -> None:
    page = client.get("/commissioning")
    assert page.status_code == 200
    assert "No rig was commissioned yet." in page.text


def test_the_newest_record_is_shown_and_others_by_number(client: FlaskClient) -> None:
    kept(result="failed", utc_s=2000.0)
    kept()
    page = client.get("/commissioning").text
    assert "NOT COMMISSIONED" in page
    assert "Replace it." in page
    assert "SIMULATED: simulated-line17" in page
    assert "delay: 6.25 ms, at most 10" in page
    assert "&lt;b&gt;50" in page
    assert "Commissioned on 2026-03-01 by A. Person" in client.get("/commissioning?record=1").text
    assert client.get("/commissioning?record=2").status_code == 404
    assert client.get("/commissioning?record=x").status_code in (400, 404)


def test_the_record_as_json(client: FlaskClient) -> None:
    made = kept()
    answer = client.get("/commissioning?form=json")
    assert json.loads(answer.text) == json.loads(record.as_json(made))
    assert "attachment" in answer.headers["Content-Disposition"]


def test_a_damaged_record_is_a_plain_page(client: FlaskClient) -> None:
    kept()
    next(record.folder().glob("*.json")).write_text("{}")
    assert client.get("/commissioning").status_code == 409


def test_a_run_leads_to_its_wiring_and_says_how_its_rig_stood(
    client: FlaskClient, written: Callable[..., int]
) -> None:
    run = written()
    page = client.get(f"/runs/{run}").text
    assert f'href="/wiring?run={run}"' in page
