# SPDX-License-Identifier: MIT
"""`rig job`, and the job's page: from complaint to the summary after the repair.

One electrical and one hydraulic fault of an invented scenario, on the simulated rig. A check in
front of the valve comes first: common practice, no source.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from rig.cli.main import cli
from rig.core.errors import UsageError
from webui.app import create_app

DEMO = Path(__file__).parents[2] / "demo"


@pytest.fixture(autouse=True)
def _own_log(tmp_path, monkeypatch):
    monkeypatch.setenv("RIG_DATA", str(tmp_path / "data"))


def rig(*words):
    return CliRunner().invoke(cli, list(words))


def run(fault, *options):
    files = (str(DEMO / "workshop.setup.toml"), str(DEMO / "workshop.sheet.toml"))
    job = ("--job", "J-1", "--valve", "V-1", "--fast", "--seed", "7", "--fault", fault, "--json")
    return json.loads(rig("run", *files, *job, *options).stdout)


def shown():
    return json.loads(rig("job", "show", "J-1", "--json").stdout)


JOBS = [
    ("open coil", [("drive_isolated", "--found", "right"),
                   ("coil_ohms", "--resistance", "2 Mohm", "--coil-temperature", "25 degC")]),
    ("clogged inlet screen:1.0", [("oil_level", "--found", "right"),
                                  ("screen", "--found", "clogged")]),
]  # fmt: skip


@pytest.mark.parametrize(("fault", "checks"), JOBS)
def test_a_job_from_complaint_to_summary(fault, checks):
    before = run(fault)
    assert before["of_the_valve"]["result"] == "not_judged"
    for check, *found in checks:
        noted = rig("job", "note", "J-1", check, *found)
        assert noted.exit_code == 0, noted.output
    found = shown()
    name = fault.split(":")[0]
    assert found["causes"][0]["cause"] == name
    assert found["causes"][0]["repair"] and (found["undecided"] is None or found["next"])
    after = run("none")
    assert after["verdict"]["result"] == "conforms"
    # the repaired run does not change what was at fault
    assert shown()["causes"][0]["cause"] == name
    client = create_app().test_client()
    page = client.get("/jobs/1/diagnosis").text
    assert name in page and "Repair:" in page and "<meter" in page
    assert "licensed practice" in page and page.count("Caution") >= 20
    summary = client.get("/jobs/1/summary?vehicle=A+van&shop=Our+shop").text
    words = " ".join(re.sub(r"<[^>]+>", " ", summary).split())
    assert "Before: did not pass. After: passed." in words
    assert "A van" in words and "SIMULATED" in words


def test_a_check_from_the_page_and_one_that_is_refused(tmp_path):
    run("none")
    client = create_app().test_client()
    html = client.get("/jobs/1/diagnosis").text
    csrf = re.search(r'name="csrf" value="([^"]+)"', html).group(1)
    sent = {"csrf": csrf, "check": "oil_level", "found": "low", "note": 'a "note"'}
    assert client.post("/jobs/1/diagnosis", data=sent).status_code == 303
    kept = tmp_path / "data" / "jobs" / "1.checks.toml"
    before = kept.read_text()
    assert any(one["by"] == "by hand" and one["state"] == "low" for one in shown()["findings"])
    wrong = client.post("/jobs/1/diagnosis", data=sent | {"found": "lwo"})
    assert wrong.status_code == 422 and "Did you mean" in wrong.text
    assert kept.read_text() == before


def test_a_job_or_check_that_is_not_there_is_named():
    run("none")
    assert 'no job "J-2"' in str(rig("job", "show", "J-2").exception)
    refused = rig("job", "note", "J-1", "oil_levle", "--found", "low")
    assert isinstance(refused.exception, UsageError)
    assert "oil_level" in str(refused.exception) and "Nothing was written" in str(refused.exception)
