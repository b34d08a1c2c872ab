# SPDX-License-Identifier: MIT
"""Which runs and strokes are offered to a class, and why."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from flask.testing import FlaskClient

from webui.lessons.worth_showing import Question, following, questions, worth_showing

Writer = Callable[..., int]


def stroke(number: int, response: float | None = 30.0, release: float | None = 35.0, **more: Any):
    """One that bounced for 0.5 ms each way."""
    return {
        "number": number, "answered": response is not None, "response_ms": response,
        "release_ms": release,
        "first_edge_on_ms": None if response is None else response - 0.5,
        "first_edge_off_ms": None if release is None else release - 0.5, **more,
    }  # fmt: skip


def run(number: int, *strokes: dict, **more: Any) -> dict:
    return {"run": number, "strokes": list(strokes), "rest_strokes": [], "trip": None, **more}


SOUND = [stroke(n, 30.0 + 0.1 * n) for n in range(1, 6)]


def shown(*results: dict) -> dict[str, tuple[int, int, str]]:
    return {one.shows: (one.run, one.stroke, one.way) for one in worth_showing(results)}


def test_a_sound_run_offers_nothing_odd() -> None:
    assert shown(run(1, *SOUND)) == {}


def test_of_several_the_largest_bounce() -> None:
    small = run(1, *SOUND, stroke(6, 40.0, first_edge_on_ms=36.0))
    large = run(2, *SOUND, stroke(6, 34.0, 60.0, first_edge_off_ms=41.0))
    assert shown(small, large)["bounce"] == (2, 6, "off")
    (why,) = [one.why for one in worth_showing([small, large]) if one.shows == "bounce"]
    assert why == "the contact bounced for 19.0 ms"


def test_a_missed_stroke_and_how_many() -> None:
    found = worth_showing([run(3, *SOUND, stroke(6, None), stroke(7, None))])
    (missed,) = [one for one in found if one.shows == "a missed stroke"]
    assert (missed.run, missed.stroke) == (3, 6)
    assert missed.why == "the switch did not answer in 2 of 7 strokes"


def test_one_that_misses_once_is_shown_before_one_that_never_answers() -> None:
    never = run(1, stroke(1, None), stroke(2, None))
    once = run(2, *SOUND, stroke(6, None))
    assert shown(never, once)["a missed stroke"] == (2, 6, "on")
    assert shown(once, never)["a missed stroke"] == (2, 6, "on")


def test_a_release_that_sticks_stands_out_of_its_own_run() -> None:
    slow_valve = run(1, *(stroke(n, release=90.0) for n in range(1, 6)))
    scattered = run(3, *slow_valve["strokes"], stroke(6, release=110.0))  # 20 ms more of 90
    sticking = run(2, *SOUND, stroke(6, release=70.0))
    assert shown(slow_valve) == shown(scattered) == {}
    assert shown(slow_valve, sticking)["a sticking release"] == (2, 6, "off")


def test_a_stroke_after_rest_is_no_slow_response() -> None:
    found = shown(run(4, stroke(1, 60.0), *SOUND[1:], rest_strokes=[1]))
    assert found == {"a stroke after rest": (4, 1, "on")}


def test_a_trip_names_its_rule() -> None:
    (trip,) = worth_showing([run(5, *SOUND, trip={"rule": "over-pressure"})])
    assert trip.shows == "a trip" and "over-pressure" in trip.why


def test_runs_that_are_not_of_strokes_are_passed_over() -> None:
    assert worth_showing([{"run": 1, "strokes": None, "trip": {"rule": "stopped"}}]) == []
    assert questions({"strokes": []}) == []


def test_questions_go_from_the_usual_to_the_odd_each_once() -> None:
    asked = questions(run(1, *SOUND, stroke(6, None)))
    assert [(one.stroke, one.way) for one in asked] == [
        (3, "on"), (3, "off"), (6, "on"), (1, "on"), (1, "off"),
    ]  # fmt: skip
    assert len({one[:2] for one in asked}) == len(asked)


def test_the_next_question_goes_round() -> None:
    asked = [Question(3, "on", ""), Question(3, "off", ""), Question(6, "on", "")]
    assert following(asked, 3, "on") == asked[1]
    assert following(asked, 6, "on") == asked[0]
    assert following(asked, 2, "off") == asked[0]  # none of them: from the beginning
    assert following([], 1, "on") is None


def test_the_page_offers_them_and_leads_to_the_stroke(client: FlaskClient, written: Writer) -> None:
    number = written(strokes=6, missed=(4,))
    page = client.get("/lesson").text
    assert "A missed stroke" in page and "did not answer in 1 of 6 strokes" in page
    assert f"/runs/{number}/lesson?stroke=4&amp;way=on" in page


@pytest.mark.parametrize("way", ["on", "off"])
def test_the_lesson_says_what_comes_next(client: FlaskClient, written: Writer, way: str) -> None:
    number = written(strokes=6, missed=(4,))
    seen = set()
    here = {"stroke": 2, "way": way}
    for _ in range(8):
        found = client.get(f"/api/runs/{number}/lesson", query_string=here).get_json()
        here = found["next"]
        seen.add((here["stroke"], here["way"]))
    assert (4, "on") in seen and {one for _, one in seen} == {"on", "off"}
    found = client.get(f"/api/runs/{number}/lesson?stroke=4&way=on").get_json()
    assert found["why"] == "the switch did not answer in 1 of 6 strokes"


def test_the_page_looks_through_a_bounded_number_of_strokes(
    client: FlaskClient, written: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    from webui.pages import lesson

    old, new = written(strokes=6, missed=(4,)), written(strokes=6)
    assert f"/runs/{old}/lesson?stroke=4" in client.get("/lesson").text
    monkeypatch.setattr(lesson, "STROKES_LOOKED_AT", 11)
    page = client.get("/lesson").text
    assert f"/runs/{old}/lesson?stroke=4" not in page
    assert f'href="/runs/{old}/lesson"' in page and f'href="/runs/{new}/lesson"' in page
