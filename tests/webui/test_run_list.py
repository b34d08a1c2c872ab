# SPDX-License-Identifier: MIT
"""The run list: columns, sorting by a tap, kept views, and what to do with the chosen runs."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable
from contextlib import closing
from html import unescape
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from page_client import token

Written = Callable[..., int]


def headings(client: FlaskClient, address: str) -> list[str]:
    (head,) = re.findall(r"<thead>(.*?)</thead>", client.get(address).text, re.S)
    cells = re.findall(r"<th [^>]*>(.*?)</th>", head, re.S)
    return [" ".join(unescape(re.sub(r"<[^>]+>", "", cell)).split()) for cell in cells]


def shown(client: FlaskClient, address: str) -> list[int]:
    found = re.findall(r'aria-label="Choose run ([0-9]+)"', client.get(address).text)
    return [int(number) for number in found]


def test_columns_that_were_chosen_are_shown_and_stay_chosen(
    client: FlaskClient, written: Written
) -> None:
    written(strokes=4, missed=(2,))
    usual = headings(client, "/runs")
    assert usual[:4] == ["Choose", "Run ▼", "Verdict", "Source"] and "Missed" in usual
    assert "Release, ms" not in usual
    chosen = ["Choose", "Run ▼", "Verdict", "Source", "Missed", "Longest, ms", "Release, ms"]
    assert headings(client, "/runs?columns=release&columns=max&columns=missed") == chosen
    assert headings(client, "/runs") == chosen, "this browser keeps them"
    assert headings(client, "/runs?columns=usual") == usual == headings(client, "/runs")
    assert client.get("/runs?columns=colour").status_code == 400


def test_a_column_that_says_the_same_everywhere_is_left_out(
    client: FlaskClient, written: Written
) -> None:
    written()
    assert "State" not in headings(client, "/runs")
    written(status="aborted")
    assert "State" in headings(client, "/runs")


def test_a_tap_on_a_heading_sorts_and_a_second_one_turns_it_round(
    client: FlaskClient, written: Written
) -> None:
    for release_ms, oil in ((60, 80.0), (40, 40.0), (50, None)):
        given = {"oil_temperature": {"value": oil, "unit": "degC", "how": "typed"}}
        if oil is None:
            given = {"oil_level": {"value": "full", "unit": "", "how": "typed"}}
        written(strokes=4, release_ms=release_ms, conditions=given)

    def tap(address: str, heading: str) -> str:
        page = client.get(address).text
        (link,) = re.findall(rf'class="sort" href="([^"]+)">{heading}', page)
        return unescape(link)

    first = tap("/runs?columns=release&columns=oil", "Release, ms")
    assert shown(client, first) == [1, 3, 2]
    assert 'aria-sort="descending"' in client.get(first).text
    second = tap(first, "Release, ms")
    assert shown(client, second) == [2, 3, 1]
    assert 'aria-sort="ascending"' in client.get(second).text
    hottest = tap(second, "Oil, °C")
    assert shown(client, hottest) == [1, 2], "a run without it is left out"
    assert "Runs without this value" in client.get(hottest).text
    sorted_by_oil = "/runs?order=hottest&columns=missed"
    assert "Oil, °C ▼" in headings(client, sorted_by_oil), "what sorts is shown"


def test_pages_of_an_order_follow_one_another(client: FlaskClient, written: Written) -> None:
    for n in range(45):
        written(strokes=1, valve=f"V-{n % 3}")
    seen, address = [], "/runs?order=valve_down&columns=valve"
    for _ in range(2):
        seen += shown(client, address)
        following = re.findall(r'rel="next" href="([^"]+)"', client.get(address).text)
        address = unescape(following[0]) if following else ""
    wanted = [n for valve in (2, 1, 0) for n in range(45, 0, -1) if (n - 1) % 3 == valve]
    assert seen == wanted and not address


@pytest.mark.parametrize("value", ["soon", "nan", "inf"])
def test_a_place_that_does_not_fit_the_order_is_told(
    client: FlaskClient, written: Written, value: str
) -> None:
    written()
    for address in ("/runs", "/api/runs"):
        answer = client.get(f"{address}?order=slowest&after=1&value={value}")
        assert answer.status_code == 400 and "finite number" in answer.text
    assert client.get(f"/runs?order=valve_up&after=1&value={value}").status_code == 200


def test_a_view_is_kept_for_all_and_forgotten(client: FlaskClient, written: Written) -> None:
    written(valve="A", source="board")
    written(valve="B")
    asked = "source=board&order=slowest&columns=release&columns=missed"
    csrf = token(client)
    kept = client.post("/log/views", data={"csrf": csrf, "name": " Slow  ones ", "question": asked})
    assert kept.status_code == 303 and shown(client, kept.location) == [1]
    client.get("/runs?columns=usual")
    page = client.get("/runs").text
    (link,) = re.findall(r'<a class="button" href="([^"]+)">Slow ones</a>', page)
    assert shown(client, unescape(link)) == [1]
    assert "Release, ms" in headings(client, unescape(link))
    client.post("/log/views/forget", data={"csrf": csrf, "name": "Slow ones"})
    assert "Slow ones" not in client.get("/runs").text


@pytest.mark.parametrize(("name", "question", "says"), [
    ("", "", "1 to 40 characters"), ("x" * 41, "", "1 to 40"), ("a", "order=upside", "order"),
    ("a", "columns=colour", "columns"), ("a", "who=me", "who"),
])  # fmt: skip
def test_a_view_that_cannot_be_kept_says_why(
    client: FlaskClient, written: Written, name: str, question: str, says: str
) -> None:
    written()
    given = {"csrf": token(client), "name": name, "question": question}
    answer = client.post("/log/views", data=given)
    assert answer.status_code == 400 and says in answer.text
    assert client.post("/log/views", data={"name": "a", "question": ""}).status_code in (400, 403)


def test_the_chosen_runs_are_compared_or_given_as_files(
    client: FlaskClient, written: Written
) -> None:
    for _ in range(2):
        written(strokes=4, valve="V-9")
    answer = client.get("/log/chosen?run=2&run=1&to=results&do=compare")
    assert answer.location == "/compare?run=1&run=2", "the list has the newest first"
    for kind, name in (
        ("results", "V-9-runs-1-to-2-results.csv"),
        ("strokes", "V-9-runs-1-to-2-strokes.csv"),
        ("vcd", "V-9-runs-1-to-2-vcd.zip"),
    ):
        with client.get(f"/log/chosen?run=1&run=2&do=export&to={kind}") as answer:
            assert answer.headers["Content-Disposition"].endswith(f"filename={name}")
    for wrong in ("run=1&do=export&to=exe", "run=1&do=fly", "do=compare"):
        assert client.get(f"/log/chosen?{wrong}").status_code == 400


def test_all_runs_that_were_found_leave_as_one_table(client: FlaskClient, written: Written) -> None:
    for valve in ("A", "B", "A"):
        written(strokes=2, valve=valve)
    with client.get("/log/found.csv?valve=A") as answer:
        lines = answer.text.splitlines()
    assert [line.split(",")[0] for line in lines] == ["run", "3", "1"]
    assert client.get("/log/found.csv?valve=C").status_code == 400
    # the page that asked is told by a cookie that the file comes
    with client.get("/log/found.csv?valve=A&made=x1") as answer:
        assert "made=x1;" in answer.headers["Set-Cookie"]
    for refused in ("valve=C&made=x1", "valve=A&made=x;1"):
        with client.get(f"/log/found.csv?{refused}") as answer:
            assert "made=" not in answer.headers.get("Set-Cookie", "")


def test_a_mean_of_two_strokes_says_so(client: FlaskClient, written: Written) -> None:
    written(strokes=2)
    assert re.search(r"n = 2</small>\s*\d", client.get("/runs").text)
    page = client.get("/runs/1").text
    assert page.count("n = 2: no interval") == 2 and "true value" not in page
    assert "n = 2: no interval" in client.get("/runs/1/report").text
    written(strokes=12)
    assert "no interval" not in client.get("/runs/2").text


def test_a_run_that_judged_no_valve_says_so_by_word(
    client: FlaskClient, written: Written, log_path: Path
) -> None:
    for _ in range(2):
        written(strokes=4, valve="V-1")
    with closing(sqlite3.connect(log_path)) as db:
        db.execute("UPDATE runs SET purpose = 'own timing', valve_id = NULL WHERE id = 2")
        db.commit()
    assert "own timing" in client.get("/runs").text
    assert shown(client, "/runs?order=slowest") == [1]
    page = client.get("/runs/2").text
    assert "No valve was judged" in page and "Run 2, own timing" in page
    refused = client.get("/compare?run=1&run=2").text
    assert "Run 2 says nothing of a valve" in refused
    with client.get("/log/found.csv") as answer:
        assert [line.rsplit(",", 1)[1] for line in answer.text.splitlines()] == [
            "purpose", "own timing", "valve",
        ]  # fmt: skip


def test_list_and_run_agree_that_a_dead_run_is_interrupted(
    client: FlaskClient, written: Written, log_path: Path
) -> None:
    written(strokes=4, status="running", analysed=False)
    assert "still goes on" in client.get("/runs/1").text, "this process lives"
    with closing(sqlite3.connect(log_path)) as db:
        db.execute("UPDATE runs SET writer_boot_id = 'an earlier start of the computer'")
        db.commit()
    assert "Interrupted" in client.get("/runs").text
    page = client.get("/runs/1").text
    assert "Interrupted" in page and "Cut short" in page and "still goes on" not in page
    assert client.get("/runs/1/report").status_code == 200
    facts = client.get("/api/runs/1").json
    assert facts is not None and facts["status"] == "interrupted"
    assert "Interrupted" in client.get("/valves/1").text


def test_near_tags_are_offered_where_no_valve_is_called_so(
    client: FlaskClient, written: Written
) -> None:
    number = written(valve="V-301 a/b")
    assert shown(client, "/runs?valve=v-301+A/B") == [number]
    page = client.get("/runs?valve=v-30").text
    assert "Tags near it" in page and 'href="/runs?valve=V-301+a/b">V-301 a/b</a>' in page
    assert "Tags near it" not in client.get("/runs?valve=zz").text
