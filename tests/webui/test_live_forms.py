# SPDX-License-Identifier: MIT
"""The forms of the bench page: what is wrong is told at once, and nothing typed is lost."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from page_client import token

from rig.actions.conditions import conditions
from rig.actions.confirmation import STATEMENTS
from rig.config.files.loading import load_pair
from rig.config.files.resolved import dump
from rig.core import places, state_file
from rig.core.errors import FileProblems, UsageError
from rig.core.records import Trip
from webui.app import create_app
from webui.live.files import TEMPLATES
from webui.live.hub import ENDED, IDLE, Hub

DEMO = Path(__file__).parents[2] / "demo"


@pytest.fixture
def client(hub: Hub) -> FlaskClient:
    """A browser that has the controls."""
    made = create_app({"HUB": hub, "TESTING": True}).test_client()
    made.post("/controls", data={"csrf": token(made)})
    return made


def typed(page: str) -> dict[str, str]:
    """What stands in the fields of a sheet's form, choices included."""
    fields = dict(re.findall(r'name="(f:[^"]+)" value="([^"]*)"', page))
    for name, inside in re.findall(
        r'<select [^>]*name="(f:[^"]+)"[^>]*>(.*?)</select>', page, re.S
    ):
        chosen = re.search(r"<option(?: value=\"([^\"]*)\")? selected>([^<]*)</option>", inside)
        assert chosen is not None, name
        fields[name] = chosen[2] if chosen[1] is None else chosen[1]
    return fields


def keep(client: FlaskClient, name: str, strokes: int, **more: str) -> tuple[int, str]:
    """Send the workshop sheet's form with another number of strokes."""
    page = client.get("/bench/sheet/workshop").text
    fields = typed(page)
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


def test_everything_that_is_wrong_with_a_sheet_is_told_at_once(client: FlaskClient) -> None:
    """Three keys, and the name to keep it under."""
    wrong = {"f:on_time": "3", "f:settle_window": "-1 ms"}
    status, text = keep(client, "no/name", 0, **wrong)
    assert status == 400
    problems = re.findall(r'<li data-id="problem\.([a-z-]+)"><code>', text)
    assert sorted(problems) == ["keep-as", "on-time", "settle-window", "strokes"]


def test_giving_the_controls_back_stays_on_the_bench(client: FlaskClient) -> None:
    answer = client.post("/controls/back", data={"csrf": token(client)},
                         headers={"Referer": "http://localhost/bench/look"})  # fmt: skip
    assert answer.location == "/bench"


TRIP = Trip("over-pressure", 700.0, 550.0, "kPa", 1, "Relieve it by hand, then `rig clear`.")


@pytest.mark.parametrize("tripped", ["leak-down", "engine", None])
def test_a_trip_is_told_of_the_setup_that_tripped(client: FlaskClient, tripped: str | None) -> None:
    """All demo setups have the same relay line, so they share one latch."""
    plan: dict[str, object] = {"title": "one that was moved away"}
    if tripped is not None:
        plan = dump(load_pair(DEMO / f"{tripped}.setup.toml", None)[0].setup)
    rig = state_file.rig_name("simulated", "", 17)
    folder = places.state_dir()
    folder.mkdir(parents=True, exist_ok=True)
    state = state_file.RigState(rig, "simulated", "", 17, plan, None, TRIP, 1.0)
    state_file.write(state_file.state_path(folder, rig), state)
    text = client.get("/bench/trip").text
    assert text.count('<section class="sheet trip" data-id="trip.') == 1
    if tripped is not None:
        assert f"{tripped}: over-pressure" in text
        assert "another setup" not in text
    else:
        assert "one that was moved away" in text
    assert "<code>rig clear</code>" in text and "`" not in text


def latch() -> None:
    folder = places.state_dir()
    folder.mkdir(parents=True, exist_ok=True)
    rig = state_file.rig_name("simulated", "", 17)
    plan = dump(load_pair(DEMO / "workshop.setup.toml", None)[0].setup)
    state = state_file.RigState(rig, "simulated", "", 17, plan, None, TRIP, 1.0)
    state_file.write(state_file.state_path(folder, rig), state)


def refused_for_the_latch(hub: Hub) -> None:
    hub._phase, hub.given = ENDED, {"valve": "V-303", "setup": "workshop", "sheet": "workshop"}
    hub._facts = {"setup": "workshop", "sheet": "workshop", "valve": "V-303", "message": "Tripped."}


def test_a_refusal_for_a_latched_trip_leads_to_its_clearing(client: FlaskClient, hub: Hub) -> None:
    latch()
    refused_for_the_latch(hub)
    page = client.get("/bench").text
    assert "<h2>V-303 was not begun</h2>" in page and "How it ended" not in page
    assert re.search(r'<a class="button main" id="to-clear" href="/bench/trip"', page)
    main = re.findall(r"<button[^>]*id=\"next-valve\"[^>]*>", page)
    assert len(main) == 1 and "disabled" in main[0] and 'class="main"' not in main[0]
    assert "the run stays in the log" not in page, "there is no run"
    assert re.search(r'<input id="valve" name="valve" value="V-303"', page), "its tag stays"


def test_what_a_trip_left_on_the_bench_goes_with_its_clearing(
    client: FlaskClient, hub: Hub
) -> None:
    latch()
    refused_for_the_latch(hub)
    answer = client.post("/bench/clear", data={"csrf": token(client), "setup": "workshop"})
    assert answer.status_code == 200 and "Cleared" in answer.text, answer.text
    page = client.get("/bench").text
    assert hub.phase == IDLE and "Tripped." not in page and "not begun" not in page
    late = client.post("/bench/clear", data={"csrf": token(client), "setup": "workshop"}).text
    assert "Nothing was latched any more" in late and "Cleared" not in late
    assert re.search(r'id="valve" name="valve" value="V-303"', page), "it is still to be tested"
    assert '<option value="workshop" selected>' in page


def test_a_trip_that_is_not_cleared_leaves_the_bench_as_it_is(
    client: FlaskClient, hub: Hub
) -> None:
    refused_for_the_latch(hub)
    answer = client.post("/bench/clear", data={"csrf": token(client), "setup": "gone"})
    assert answer.status_code == 409 and hub.phase == ENDED


def test_what_was_typed_stands_in_the_next_form_until_the_bench_is_cleared(
    client: FlaskClient, hub: Hub
) -> None:
    hub.given = {"valve": "V-9", "job": "J-77", "by": "somebody", "oil_temperature": "85 degC",
                 "note": "once"}  # fmt: skip
    text = client.get("/bench").text
    assert 'name="job" value="J-77"' in text and 'value="85 degC"' in text
    assert "once" not in text and 'value="V-9"' not in text
    assert "somebody" not in text, "that was another browser's name"
    hub._phase = ENDED
    assert client.post("/bench/leave", data={"csrf": token(client)}).status_code == 302
    assert "J-77" not in client.get("/bench").text


def check(client: FlaskClient, sheet: str, **changes: str) -> str:
    """Let the page judge a sheet's form as it would stand after these changes."""
    form = {**typed(client.get(f"/bench/sheet/{sheet}").text), **changes}
    form |= {"csrf": token(client), "setup": "workshop"}
    answer = client.post(f"/bench/sheet/{sheet}/check", data=form)
    assert answer.status_code == 200
    return unescape(answer.text)


def said_at(page: str, field: str) -> str:
    found = re.search(rf'<p class="wrong" id="wrong-{field}"[^>]*>(.*?)</p>', page, re.S)
    assert found is not None, field
    return re.sub("<[^>]+>", "", found[1]).strip()


def test_a_form_is_judged_while_it_is_filled_in_by_the_files_own_words(
    client: FlaskClient, hub: Hub
) -> None:
    page = check(client, "workshop")
    assert "The sheet and this setup fit" in page and 'hx-swap-oob="true" hidden>' in page
    assert "Takes at most 22 s. Coil energised 20 times, 10 s in all" in page
    wrong = {"f:on_time": "3", "f:settle_window": "-1 ms", "f:accept.1.max": "fast",
             "f:rest": "0.5 s"}  # fmt: skip
    page = check(client, "workshop", **wrong)
    assert "Takes at most" not in page and "3 things to mend" in page
    text = (DEMO / "workshop.sheet.toml").read_text()
    text = text.replace('on_time = "500 ms"', "on_time = 3")
    text = text.replace('settle_window = "20 ms"', 'settle_window = "-1 ms"')
    text = re.sub(r'(figure = "release"\nof = "each"\nmax = )"80 ms"', r'\1"fast"', text)
    with pytest.raises(FileProblems) as told:
        hub.files.check("workshop", "sheet", text)
    places = {"on_time": "on_time", "settle_window": "settle_window",
              "accept[2 of 3].max": "accept-1-max"}  # fmt: skip
    assert {problem.key for problem in told.value.problems} == set(places)
    for problem in told.value.problems:
        beside = said_at(page, places[problem.key])
        words = re.sub("`", "", problem.what)
        assert words.casefold() in beside.casefold(), (words, beside)
    assert said_at(page, "rest") == ""
    assert "and this setup fit" in check(client, "workshop", **{"f:rest": '"500 ms"'})
    assert not list((hub.files._own).glob("*")), "a look keeps nothing"


def test_a_limit_left_empty_does_not_move_the_words_of_the_next(client: FlaskClient) -> None:
    emptied = {f"f:accept.0.{key}": "" for key in ("figure", "of", "strokes", "max", "min", "risk")}
    page = check(client, "workshop", **emptied, **{"f:accept.1.max": "fast"})
    assert said_at(page, "accept-1-max") and not said_at(page, "accept-0-max")


def test_fixed_values_are_choices_and_every_key_says_what_it_means(client: FlaskClient) -> None:
    for name in ("workshop", "switch-pressures", "leak-down"):
        page = unescape(client.get(f"/bench/sheet/{name}").text)
        for key in ("kind", "accept.0.figure", "accept.0.of", "accept.0.strokes"):
            assert f'name="f:{key}"' in page and f'<input id="f-{key}"' not in page
        hints = re.findall(r'<p class="hint dim" id="help-([^"]+)">(.*?)</p>', page, re.S)
        assert len(hints) > 10 and all(words.strip() for _, words in hints), hints
    assert "<option selected>released</option>" in page and "<option>energised</option>" in page
    assert 'placeholder="250 ms"' in page  # the unit, where a quantity stands
    assert "<option>decay_rate</option>" in page or "<option selected>decay_rate" in page
    assert "response</option>" not in page, "a hold has no response"


def test_another_kind_shows_its_keys_and_forgets_the_others(client: FlaskClient) -> None:
    form = typed(client.get("/bench/sheet/workshop").text)
    form |= {"csrf": token(client), "setup": "workshop", "f:kind": "ramp", "look": "yes"}
    page = client.post("/bench/sheet/workshop", data=form)
    assert page.status_code == 200
    assert 'name="f:ramp_time_max"' in page.text and 'name="f:on_time"' not in page.text
    assert "Not saved" not in page.text and said_at(page.text, "low")


def test_templates_are_offered_fit_and_are_kept_like_any_sheet(
    client: FlaskClient, hub: Hub
) -> None:
    bench = client.get("/bench").text
    for name in TEMPLATES:
        assert f"/bench/sheet/{name.replace(' ', '%20')}" in bench
        page = client.get(f"/bench/sheet/{name}").text
        assert "The sheet and this setup fit" in page and "invented" in page
        assert name not in hub.files.sheets
    form = typed(client.get("/bench/sheet/technician at idle").text)
    form |= {"csrf": token(client), "setup": "workshop", "keep_as": "idle"}
    assert client.post("/bench/sheet/technician at idle", data=form).status_code == 200
    assert hub.files.pair("workshop", "idle")[1].sheet.kind == "strokes"


def selected_setup(page: str) -> str:
    inside = re.search(r'<select name="setup">(.*?)</select>', page, re.S)
    assert inside is not None
    return "".join(re.findall(r"<option[^>]* selected>([^<]*)<", inside[1]))


def test_a_sheet_is_checked_with_the_benchs_setup_and_chosen_there_when_it_was_kept(
    client: FlaskClient, hub: Hub
) -> None:
    assert next(iter(hub.files.setups)) != "workshop"
    assert selected_setup(client.get("/bench/sheet/workshop?setup=workshop").text) == "workshop"
    hub._facts = {"setup": "workshop"}
    assert selected_setup(client.get("/bench/sheet/workshop").text) == "workshop"
    assert "/bench/sheet/leak-down?setup=workshop" in client.get("/bench?sheet=leak-down").text
    status, page = keep(client, "mine", 7)
    way = re.search(r'href="(/bench\?[^"]+)">Bench<', page)
    assert status == 200 and way is not None
    hub._facts = {}
    bench = client.get(unescape(way[1])).text
    assert "<option selected>mine<" in bench and '<option value="workshop" selected>' in bench
    assert "gone" not in client.get("/bench?sheet=gone&setup=gone").text


def test_what_is_to_mend_names_its_field_and_leads_to_it(client: FlaskClient) -> None:
    page = check(client, "workshop", **{"f:on_time": "3", "f:accept.0.max": "fast"})
    head = page.partition('id="checked"')[2].partition("</div>")[0]
    assert "2 things to mend" in head
    assert '<a href="#f-on_time">On time</a>' in head
    assert '<a href="#f-accept-0-max">Limit 1, max</a>' in head
    whole = client.get("/bench/sheet/workshop").text
    assert 'id="f-on_time"' in whole and 'id="f-accept-0-max"' in whole


def test_what_was_confirmed_stays_when_something_else_was_not(
    client: FlaskClient, hub: Hub, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = {
        "lines": [],
        "watched": [],
        "not_watched": [{"rule": "oil temperature", "why": "none"}],
    }
    waiting = {**hub.snapshot(), "phase": "waiting", "backend": "board", "look": "a",
               "preflight": found}  # fmt: skip
    monkeypatch.setattr(hub, "snapshot", lambda: waiting)
    said = {f"said{n}": "yes" for n in range(len(STATEMENTS)) if n != 1}
    answer = client.post("/bench/go", data={"csrf": token(client), "by": "A. Example", **said})
    assert answer.status_code == 400
    assert answer.text.count("Not confirmed:") == 1 and "Accept what is NOT WATCHED" in answer.text
    assert "Who confirms?" not in answer.text and 'name="by" value="A. Example"' in answer.text
    ticks = re.findall(
        r'type="checkbox" name="(said[0-9]+|not_watched)" value="yes"([^>]*)', answer.text
    )
    assert [name for name, more in ticks if more.strip() == "checked"] == list(said)
    assert [(name, "autofocus" in more) for name, more in ticks if "aria-invalid" in more] == [
        ("said1", True), ("not_watched", False)
    ]  # fmt: skip
    ticks = re.findall(r'name="said[0-9]+" value="yes"([^>]*)', client.get("/bench").text)
    assert ticks == [""] * len(STATEMENTS), "each look is confirmed anew"
