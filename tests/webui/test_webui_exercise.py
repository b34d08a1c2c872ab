# SPDX-License-Identifier: MIT
"""A class exercise on the page: seats, what they cost, what stays hidden, and what is forgotten."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner
from exercise_parts import DEMO, FAULT, plan
from flask import Flask, Response
from flask.testing import FlaskClient
from setups import workshop_sheet
from werkzeug.test import TestResponse

from rig.actions.exercise import conduct, draw, store
from rig.actions.exercise.model import Seat
from rig.actions.exercise.store import Exercises
from rig.cli.diagnose import command as diagnose
from rig.cli.export import command as export
from rig.cli.report import command as report_
from rig.cli.show import command as show
from rig.config.files.loading import text_hash
from webui import access
from webui.app import create_app
from webui.exercise import seats
from webui.live.files import Files
from webui.live.hub import Hub

MARKS = (f"{FAULT}:0.7", "given on the command line")
"""What a setup with this fault in it says, and nothing that only guesses."""


class Bench(Hub):
    """A hub that is told whether its bench is at work."""

    at_work = False

    @property
    def busy(self) -> bool:
        return self.at_work


@pytest.fixture
def few_strokes(tmp_path: Path) -> Path:
    sheet = tmp_path / "few.sheet.toml"
    sheet.write_text(workshop_sheet(8))
    return sheet


@pytest.fixture
def make_app(log_path: Path, tmp_path: Path, few_strokes: Path) -> Iterator[Callable[..., Flask]]:
    made: list[Flask] = []

    def make(**more: object) -> Flask:
        board = tmp_path / "board.setup.toml"
        text = (DEMO / "workshop.setup.toml").read_text()
        board.write_text(
            text[: text.index("[simulated]")].replace(
                'backend = "simulated"', 'backend = "board"\nchip = "pinctrl-rp1"'
            )
        )
        setups = [DEMO / "workshop.setup.toml", board]
        hub = Bench(tmp_path / "states", Files(setups, [few_strokes], tmp_path / "own"))
        made.append(create_app({"RUN_LOG": log_path, "HUB": hub, **more}))
        return made[-1]

    yield make
    for app in made:
        app.extensions["waiting_runs"].close()


def send(client: FlaskClient, address: str, **form: str) -> TestResponse:
    token = re.search('name="csrf" content="([^"]+)"', client.get("/exercise").text)
    assert token is not None
    return client.post(address, data={"csrf": token[1], **form})


def begin(client: FlaskClient, **more: str) -> tuple[str, str]:
    """The class page's address and the code."""
    form = {"setup": "workshop", "sheet": "few", "cause": FAULT, "severity": "plain", **more}
    answer = send(client, "/exercise/new", **form)
    assert answer.status_code == 303, answer.text
    code = re.search('code-wall">([A-Z]+)<', client.get(answer.location).text)
    assert code is not None
    return answer.location, code[1]


def sit(app: Flask, code: str, name: str = "Seat 1") -> FlaskClient:
    client = app.test_client()
    assert send(client, "/exercise/join", code=code, name=name).status_code == 303
    return client


def waited(client: FlaskClient, within_s: float = 100.0) -> str:
    """The seat's page once its run is done."""
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        if client.get("/exercise/seat/waits").headers.get("HX-Refresh"):
            return client.get("/exercise/seat").text
        time.sleep(0.1)
    raise AssertionError(client.get("/exercise/seat/waits").text)


def run_of(page: str) -> int:
    found = re.search(r'/runs/(\d+)"', page)
    assert found is not None
    return int(found[1])


def test_a_fault_stays_hidden_until_the_seat_commits(
    make_app: Callable, log_path: Path, tmp_path: Path
) -> None:
    app = make_app()
    teacher = app.test_client()
    of_class, code = begin(teacher)
    student, neighbour = sit(app, code.lower()), sit(app, code, "Seat 2")
    assert send(student, "/exercise/seat/run").status_code == 303
    number = run_of(waited(student))
    addresses = [
        f"/runs/{number}?reveal=simulated", f"/runs/{number}/report", f"/runs/{number}/lesson",
        f"/api/runs/{number}", f"/api/runs/{number}/lesson", f"/runs/{number}/run.json",
        f"/runs/{number}/run.csv", f"/runs/{number}/run.vcd", f"/log/results.csv?run={number}",
        f"/wiring?run={number}", f"/api/runs/{number}/records", "/log/import", "/", "/runs",
        "/log/found.csv", "/exercise/seat",
    ]  # fmt: skip
    rules = [rule for rule in app.url_map.iter_rules() if "run_id" in rule.arguments]
    for rule in rules:  # and every address of a run there is
        if "GET" in (rule.methods or ()) and rule.arguments <= {"run_id", "kind"}:
            words = {"run_id": number, **({"kind": "json"} if "kind" in rule.arguments else {})}
            addresses.append(app.url_map.bind("here").build(rule.endpoint, words))
    seat = Exercises.beside(log_path).seats(1)[0].seat
    marks = (*MARKS, f"{seat.seed}", seat.salt)  # with the seed who tries every cause has it
    made_aside = re.compile(r"/run\.|/report\.pdf|\.csv")  # in a process that knows no seat
    for client in (student, neighbour, teacher):
        for address in addresses:
            if client is not student and made_aside.search(address):
                continue
            with client.get(address) as answer:
                found = [
                    answer.data[max(0, answer.data.find(m.encode()) - 80) :][:160]
                    for m in marks
                    if m.encode() in answer.data
                ]
                assert not found, (address, found)
    assert student.get(f"/api/runs/{number}").json["seed"] is None
    told_hash = student.get(f"/api/runs/{number}").json["setup"]["hash"]
    text = (DEMO / "workshop.setup.toml").read_text()
    tried = draw.faulty_text(
        plan(setup_text=text), Seat(cause=FAULT, severity=draw.SEVERITIES["plain"], seed=0)
    )
    assert text_hash(tried) != told_hash, "hashing every cause and severity finds the fault"
    assert "belongs to an exercise" in student.get(f"/runs/{number}").text
    model = student.get(f"/api/runs/{number}/lesson").json["model"]
    assert set(model) == {"refused"}, "the plant's own course tells the fault"
    exported, report = tmp_path / "run.json", tmp_path / "report.html"
    for command, words in (
        (show, [str(number), "--full"]), (show, [str(number), "--json"]),
        (diagnose, [str(number), "--json"]), (export, [str(number), str(exported), "--to", "json"]),
        (report_, [str(number), "--out", str(report)]),
    ):  # fmt: skip
        told = CliRunner().invoke(command, words)
        assert told.exit_code in (0, 1, 5) and told.output, (words, told)
        assert not any(mark in told.output for mark in marks), words
    for file in (exported, report):
        assert not any(mark in file.read_text() for mark in marks), file

    answer = send(student, "/exercise/seat/commit", cause="sticking spool", sure="yes")
    assert answer.status_code == 303
    page = student.get("/exercise/seat").text
    assert f"it was {FAULT}" in page and "wrong" in page and f"/runs/{number}/lesson" in page
    assert MARKS[0] in student.get(f"/runs/{number}?reveal=simulated").text
    assert student.get(f"/api/runs/{number}").json["seed"] == seat.seed
    assert "links" in student.get(f"/api/runs/{number}/lesson").json["model"]
    assert MARKS[0] not in neighbour.get(f"/runs/{number}?reveal=simulated").text, "still at work"
    for act, form in (("run", {}), ("check", {"check": "fuse"}), ("commit", {"cause": FAULT})):
        answer = send(student, f"/exercise/seat/{act}", sure="yes", **form)
        assert answer.status_code == 422, "nothing more is done once a seat has committed"

    assert "Seat 1" in teacher.get(of_class).text and "sticking" not in teacher.get(of_class).text
    assert send(teacher, f"{of_class}/forget").status_code == 409, "not while it goes on"
    assert send(teacher, f"{of_class}/end").status_code == 409, "asked once whether it is meant"
    assert "sticking spool" not in teacher.get(of_class).text
    send(teacher, f"{of_class}/end", sure="yes")
    assert "sticking spool" in teacher.get(of_class).text
    assert MARKS[0] in neighbour.get(f"/runs/{number}?reveal=simulated").text
    assert f"it was {FAULT}" in neighbour.get("/exercise/seat").text
    assert b"Seat 1" in (log_path.parent / store.FILE).read_bytes()
    send(teacher, f"{of_class}/forget")
    assert b"Seat 1" not in (log_path.parent / store.FILE).read_bytes(), "a name leaves no trace"
    assert student.get("/exercise/seat").status_code == 303
    assert "exercise 1" in teacher.get(f"/runs/{number}").text, "the run itself stays"


def test_a_page_that_is_started_again_goes_on(make_app: Callable, log_path: Path) -> None:
    first = make_app()
    first.config["HUB"].at_work = True
    teacher = first.test_client()
    _, code = begin(teacher, reference="yes", causes_shown="yes")
    student = sit(first, code)
    send(student, "/exercise/seat/check", check="oil_level")
    send(student, "/exercise/seat/run")
    assert "bench is at work" in student.get("/exercise/seat/waits").text
    for _ in range(12):
        assert first.extensions["waiting_runs"].going == 0, "nothing is simulated beside the bench"
        time.sleep(0.1)
    first.extensions["waiting_runs"].close()

    again = make_app().test_client()
    cookie = student.get_cookie("rig-seat")
    assert cookie is not None
    again.set_cookie("rig-seat", cookie.value)
    page = waited(again)
    assert run_of(page) == 2 and "when it was sound" in page, "the sound rig's run came first"
    assert "more, as on a sound rig" in page and "Causes, as the diagnosis weighs them" in page
    assert re.search(r"found-oil_level.*?right", page, re.DOTALL)


def test_the_truth_may_wait_for_the_end(make_app: Callable) -> None:
    app = make_app()
    teacher = app.test_client()
    of_class, code = begin(teacher, truth_at="end", rigs="each", cause="drawn")
    student = sit(app, code)
    seat = Exercises.beside(Path(app.config["RUN_LOG"])).seats(1)[0].seat
    assert send(student, "/exercise/seat/commit", cause="none").status_code == 422, "not sure yet"
    send(student, "/exercise/seat/commit", cause="none", sure="yes")
    page = student.get("/exercise/seat").text
    assert "You committed to: nothing at fault" in page and "it was" not in page
    assert (
        'action="/exercise/seat/check"' not in page and "It was" not in teacher.get(of_class).text
    )
    private = teacher.get(f"{of_class}?private=1").text
    assert "It was" in private and seat.cause.replace("none", "nothing at fault") in private
    send(teacher, f"{of_class}/end", sure="yes")
    assert "it was" in student.get("/exercise/seat").text


def test_only_sheets_of_strokes_are_offered(make_app: Callable) -> None:
    app = make_app()
    files = app.config["HUB"].files
    leak, few = DEMO / "leak-down.sheet.toml", next(iter(files._given.values()))
    files._given = {"leak-down": leak, "few": few}
    page = app.test_client().get("/exercise/new").text
    assert '<option value="few"' in page and 'value="leak-down"' not in page
    files._given = {"leak-down": leak}
    page = app.test_client().get("/exercise/new").text
    assert "No sheet of this page is fit" in page and 'class="written"' not in page


@pytest.mark.parametrize("clear", [True, False])
def test_the_class_table_says_that_the_best_path_stayed_open(
    make_app: Callable, clear: bool
) -> None:
    app = make_app()
    teacher = app.test_client()
    of_class, code = begin(teacher)
    student = sit(app, code)
    send(student, "/exercise/seat/commit", cause=FAULT, sure="yes")
    kept = Exercises.beside(Path(app.config["RUN_LOG"]))
    with kept.changing(kept.seats(1)[0].id) as one:
        one.seat.debrief.best_clear = clear
    page = teacher.get(f"{of_class}?private=1").text
    cell = re.search('data-label="best path">(.*?)</td>', page)
    assert cell is not None and " min" in cell[1]
    assert ("stayed open" in cell[1]) is not clear
    assert ("no one repair was clear" in page) is not clear


def test_the_wall_shows_an_address_that_a_phone_can_open(make_app: Callable) -> None:
    names = ["localhost", "bench.example"]  # RFC 2606: a name for examples
    client = make_app(TRUSTED_HOSTS=names).test_client()
    of_class, code = begin(client)
    assert "to this machine only" in client.get(of_class).text
    there = client.get(of_class, base_url="http://bench.example:8080").text
    assert "http://bench.example:8080/exercise</strong>" in there and "<svg role=" in there
    assert f'value="{code}"' in client.get(f"/exercise?code={code}").text


def test_a_board_is_refused(make_app: Callable, log_path: Path) -> None:
    app = make_app()
    client = app.test_client()
    assert ">board<" not in client.get("/exercise/new").text
    answer = send(client, "/exercise/new", setup="board", sheet="few", cause="drawn")
    assert answer.status_code == 422 and "never touches a board" in answer.text
    assert not (log_path.parent / store.FILE).exists()


def test_virtual_time_refuses_a_board_by_itself(few_strokes: Path) -> None:
    """Whatever a plan says: the way of `rig run --fast` ends before a line is claimed."""
    text = (DEMO / "workshop.setup.toml").read_text()
    text = text[: text.index("[simulated]")]
    text = text.replace('backend = "simulated"', 'backend = "board"\nchip = "pinctrl-rp1"')
    ran = conduct.conduct({
        "setup_name": "a.setup.toml", "setup_text": text, "sheet_name": "a.sheet.toml",
        "sheet_text": few_strokes.read_text(), "seed": 1, "uid": "a" * 32, "tag": "exercise 1",
    })  # fmt: skip
    assert ran.run is None and "only with a simulated rig" in ran.message


def test_who_may_only_look_takes_a_seat_and_nothing_more(make_app: Callable) -> None:
    app = make_app(PASSCODE_HASH=access.NO_PASSCODE)
    client = app.test_client()
    first = client.get("/exercise").text
    assert "Set an exercise" not in first
    assert "For the instructor" in first and 'href="/controls"' in first, "and is told the way"
    for address in ("/exercise/new", "/exercise/class/1"):
        assert client.get(address).status_code == 403
        assert (
            send(client, address if address.endswith("new") else f"{address}/end").status_code
            == 403
        )
    made = Exercises.beside(Path(app.config["RUN_LOG"])).begin(plan())
    assert "0 min" in sit(app, made.code).get("/exercise/seat").text
    for _ in range(access.TRIES):
        answer = send(client, "/exercise/join", code="AAAAAA", name="x")
        assert answer.status_code == 404 and "no exercise of this code" in answer.text
    assert send(client, "/exercise/join", code=made.code, name="x").status_code == 429


def test_one_browser_has_one_seat_and_one_address_a_few_a_minute(make_app: Callable) -> None:
    app = make_app()
    of_class, code = begin(app.test_client())
    first = sit(app, code)
    again = send(first, "/exercise/join", code=code, name="Seat 2")
    assert again.status_code == 409 and "has the seat" in again.text
    for n in range(1, seats.JOINS):
        sit(app, code, f"other {n}")
    late = app.test_client()
    told = send(late, "/exercise/join", code=code, name="late")
    assert told.status_code == 429 and "Wait" in told.text
    late.environ_base["REMOTE_ADDR"] = "192.0.2.7"  # RFC 5737, for documentation
    assert send(late, "/exercise/join", code=code, name="late").status_code == 303
    assert app.test_client().get(of_class).text.count("seat-row") == seats.JOINS + 1


def test_a_freed_seat_is_taken_again_with_what_was_done(make_app: Callable) -> None:
    app = make_app()
    teacher = app.test_client()
    of_class, code = begin(teacher)
    there = Exercises.beside(Path(app.config["RUN_LOG"]))
    lost, idle = sit(app, code, "Lost"), sit(app, code, "Idle")
    send(lost, "/exercise/seat/check", check="oil_level")
    with there.changing(there.seats(1)[0].id) as now:
        now.seat.uids.append("a run")
    assert "every 4s" in teacher.get(of_class).text
    page = teacher.get(f"{of_class}?free=1").text
    assert "every 4s" not in page, "no row moves under the finger that frees one"
    for number in (1, 2):
        assert f"{of_class}/free/{number}" in page
        assert send(teacher, f"{of_class}/free/{number}").status_code == 303
    assert [one.name for one in there.seats(1)] == ["Lost"], "nothing was done at the other"
    for browser in (lost, idle):
        assert browser.get("/exercise/seat").status_code == 303, "its key opens nothing"
    assert there.hides("a run"), "what was hidden stays hidden"
    back = sit(app, code, "lost")
    assert re.search(r"found-oil_level", back.get("/exercise/seat").text)


def test_a_simulation_makes_way_for_the_bench_and_is_done_again(make_app: Callable) -> None:
    app = make_app()
    hub, queue = app.config["HUB"], app.extensions["waiting_runs"]
    _, code = begin(app.test_client())
    student = sit(app, code)
    send(student, "/exercise/seat/run")
    until = time.monotonic() + 30
    while not any(simulator._process for simulator in queue._simulators):
        assert time.monotonic() < until
        time.sleep(0.005)
    (process,) = [simulator._process for simulator in queue._simulators]
    hub.at_work = True
    process.wait(2.0)
    time.sleep(1.0)
    assert queue.going == 0 and "bench is at work" in student.get("/exercise/seat/waits").text
    hub.at_work = False
    assert re.search(r'/runs/(\d+)"', waited(student)), "the turn was kept and done again"


@pytest.mark.parametrize("scheme", ["https", "http"])
def test_a_seats_cookie_is_for_tls_alone_where_the_page_is_served_so(scheme: str) -> None:
    seat: Any = SimpleNamespace(id=1)
    with Flask(__name__).test_request_context(base_url=f"{scheme}://localhost"):
        for answer in (seats.keep(Response(), seat, "key"), seats.leave(Response())):
            assert ("Secure" in answer.headers["Set-Cookie"]) == (scheme == "https")
