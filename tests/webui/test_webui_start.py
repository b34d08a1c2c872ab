# SPDX-License-Identifier: MIT
"""The start page: rigs, what is open, last run, today's, jobs, storage, backup, what is new."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from flask.testing import FlaskClient
from page_client import plain
from written_runs import Made, header, write

from rig.actions.last_backup import DAY_S, told
from rig.cli.backup import command as back_up
from rig.config.files.loading import load_pair
from rig.config.files.resolved import dump
from rig.core import places, state_file
from rig.core.records import Trip
from rig.runlog import copies
from rig.runlog.store import RunLog
from webui.app import create_app
from webui.live.files import Files
from webui.live.hub import WAITING, Hub
from webui.pages.start import news

DEMO = Path(__file__).parents[2] / "demo"
WORKSHOP = DEMO / "workshop.setup.toml"
Writer = Callable[..., int]


@pytest.fixture
def hub(tmp_path: Path) -> Iterator[Hub]:
    made = Hub(places.state_dir(), Files([WORKSHOP], [DEMO], tmp_path / "own"))
    yield made
    made.close()


@pytest.fixture
def operating(hub: Hub, log_path: Path) -> FlaskClient:
    return create_app({"HUB": hub, "RUN_LOG": log_path}).test_client()


def state(trip: Trip | None = None, owner: state_file.Owner | None = None) -> state_file.RigState:
    setup = load_pair(WORKSHOP, None)[0].setup
    rig = state_file.rig_name(setup.backend, setup.chip, setup.relay.line)
    made = state_file.RigState(rig, setup.backend, setup.chip, setup.relay.line, dump(setup),
                               owner, trip, time.time() if trip else None)  # fmt: skip
    state_file.write(state_file.state_path(places.state_dir(), rig), made)
    return made


def test_an_empty_log_has_a_start_page_that_says_what_to_do_first(
    client: FlaskClient, operating: FlaskClient, log_path: Path
) -> None:
    for browser, wanted in ((client, "rig run"), (operating, "take the controls")):
        answer = browser.get("/")
        words = plain(answer.text)
        assert answer.status_code == 200 and "what to do first" in words and wanted in words
        assert "Last run" not in words and "no run needs one yet" in words
    assert not log_path.exists()  # reading made nothing


def test_setups_for_one_relay_line_are_one_rig(tmp_path: Path, log_path: Path) -> None:
    hub = Hub(places.state_dir(), Files([DEMO], [DEMO], tmp_path / "own"))
    try:
        page = create_app({"HUB": hub, "RUN_LOG": log_path}).test_client().get("/").text
    finally:
        hub.close()
    assert page.count('<div class="rig') == 1 and "engine, leak-down, workshop" in plain(page)


def test_it_works_without_scripts(operating: FlaskClient) -> None:
    page = operating.get("/").text
    assert page.count("<script") == page.count("js/stop.js"), "the stop's alone"


def test_last_run_today_and_jobs(client: FlaskClient, written: Writer) -> None:
    written(valve="OLD", job="J-0", strokes=2, wall_utc_s=time.time() - 40 * DAY_S)
    written(valve="V-1", job="J-1", strokes=2, wall_utc_s=time.time() - 3 * DAY_S)
    written(valve="V-2", job="J-2", strokes=2, wall_utc_s=time.time())
    written(valve="V-3", job="J-2", strokes=2, status="tripped", trip=True, wall_utc_s=time.time())
    words = plain(client.get("/").text)
    assert "Last run Run 4 V-3 Tripped" in words
    today = words.partition("Today: 2 runs")[2].partition("Jobs with")[0]
    assert "V-2" in today and "V-3" in today and "V-1" not in today
    assert words.count("the computer's clock was not known to be right") == 1  # of three times
    jobs = words.partition("in the last 14 days")[2].partition("Storage")[0]
    assert jobs.index("J-2 2 runs") < jobs.index("J-1 1 run") and "J-0" not in jobs


def test_today_counts_how_runs_of_valves_ended(client: FlaskClient, log_path: Path) -> None:
    now = time.time()
    write(log_path, Made(valve=None, strokes=2, wall_utc_s=now))
    write(log_path, Made(strokes=1, status="tripped", trip=True, wall_utc_s=now))
    write(log_path, Made(strokes=1, status="aborted", wall_utc_s=now))
    with RunLog(log_path) as opened:  # of the rig itself: no valve was judged
        opened.begin_run(replace(header(Made(wall_utc_s=now)), purpose="commissioning"))
    page = client.get("/").text
    words = plain(page)
    assert "Last run Run 3" in words
    today = words.partition("Today: 3 runs")[2].partition("Jobs with")[0]
    assert "1 × Conforms" in today and "1 × Tripped" in today and "1 × Stopped" in today
    assert "Not tested" not in today and "Run 4" not in today
    assert "no valve named" in today and "{" not in words and "Computed by" not in words


def test_an_open_trip_says_what_to_do(operating: FlaskClient, client: FlaskClient) -> None:
    assert "Not started yet" in plain(operating.get("/").text)
    state()
    assert "At rest, no trip" in plain(operating.get("/").text)
    state(Trip("over-pressure", 600.0, 550.0, "kPa", 1, "600 kPa is over 550 kPa."))
    here, elsewhere = operating.get("/").text, client.get("/").text
    for page in (here, elsewhere):
        assert "Tripped: over-pressure 600 kPa is over 550 kPa." in plain(page)
    assert 'href="/bench/trip"' in here
    assert "<code>rig clear SETUP</code>" in elsewhere and "/bench/trip" not in elsewhere


@pytest.mark.parametrize(("rule", "asked"), [("over-pressure", False), ("duty", True)])
def test_a_cool_coil_is_asked_for_where_heat_tripped(
    operating: FlaskClient, rule: str, asked: bool
) -> None:
    state(Trip(rule, 600.0, 550.0, "", 1, "It is over its limit."))
    page = operating.get("/controls").text
    token = re.search('name="csrf" content="([^"]+)"', page)
    assert token is not None
    operating.post("/controls", data={"csrf": token[1]})
    page = operating.get("/bench/trip").text
    assert "The cause is mended" in page
    assert ("The coil was measured" in page) is asked


def test_a_program_that_died_with_the_line_is_told(client: FlaskClient) -> None:
    mine = state_file.this_process()
    state(owner=mine)
    assert "Another program of this computer drives it." in plain(client.get("/").text)
    state(owner=state_file.Owner(2**22 + 1, 5, mine.boot_id))
    words = plain(client.get("/").text)
    assert "ended with the line claimed" in words and "rig safe" in words


def test_a_damaged_state_is_not_taken_for_rest(client: FlaskClient) -> None:
    made = state()
    state_file.state_path(places.state_dir(), made.rig).write_text("{")
    words = plain(client.get("/").text)
    assert "State not known" in words and "At rest" not in words


def test_what_the_page_itself_does_with_a_rig_is_told(operating: FlaskClient, hub: Hub) -> None:
    hub._phase = WAITING
    hub._facts = {"setup": "workshop", "sheet": "workshop", "valve": "V-7"}
    words = plain(operating.get("/").text)
    assert "Ready to be armed" in words and "Valve V-7, sheet workshop" in words


def test_questions_of_the_run_list_lead_there(client: FlaskClient) -> None:
    """The list stood at this address before: kept addresses go on working."""
    answer = client.get("/?valve=A%201%262&order=slowest")
    assert answer.status_code == 302
    assert answer.headers["Location"] == "/runs?valve=A%201%262&order=slowest"


def test_a_backup_is_noted_and_told(written: Writer, log_path: Path, tmp_path: Path) -> None:
    client = create_app({"RUN_LOG": log_path}).test_client()
    written(strokes=2)
    assert "No backup is known. Make one on another disk" in plain(client.get("/").text)
    done = CliRunner().invoke(back_up, [str(tmp_path / "copy.sqlite")])
    assert done.exit_code == 0, done.output
    noted = copies.last(log_path)
    assert noted is not None and noted.last_run == 1
    assert noted.same_disk == (os.stat(tmp_path).st_dev == os.stat(log_path).st_dev)
    words = plain(client.get("/").text)
    assert "Last backup within the last hour" in words and "every run is in it" in words


@pytest.mark.parametrize(("days", "newest", "same_disk", "words", "caution"), [
    (1, 8, False, "1 day ago: /x; every run is in it.", False),
    (3, 9, False, "3 days ago: /x; 1 run since then is not in it.", False),
    (8, 12, False, "8 days ago: /x; 4 runs since then are not in it. Make another", True),
    (30, 8, False, "30 days ago: /x; every run is in it.", False),
    (0, 8, True, "within the last hour: /x; every run is in it. It lies on the log's own", True),
    (-2, 8, False, "at a time that lies ahead", False),
])  # fmt: skip
def test_the_age_of_a_backup(
    days: float, newest: int, same_disk: bool, words: str, caution: bool
) -> None:
    now_s = 1_800_000_000.0
    made = copies.LastBackup(now_s - days * DAY_S, "/x", 9, 8, same_disk)
    found = told(made, newest, now_s)
    assert words in found.words and found.caution == caution


def test_a_backup_that_does_not_say_its_last_run_is_told_by_its_age_alone() -> None:
    made = copies.LastBackup(0.0, "downloaded", 9)
    assert told(made, 5, 2 * DAY_S) == ("Last backup 2 days ago: downloaded.", False)
    assert told(made, 5, 9 * DAY_S).caution


def test_what_is_new_is_the_newest_day() -> None:
    points = "- **One\n  thing** is [so](a.md). More.\n- **Two**: b 1.5 s\n  long: c\n"
    found = news(f"# New\n\n## 2026-02-01\n\n{points}\n## 2026-01-01\n- **Old**")
    assert found is not None and found.day == "2026-02-01"
    assert found.points == ["One thing is so", "Two: b 1.5 s long"]
    assert news("# New\n") is None
